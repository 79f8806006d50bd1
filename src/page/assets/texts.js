export const texts = { safety: "Hearing protection; keep clear of rods, belts and the relief line." };
