import { texts } from "/texts.js";
document.getElementById("view").textContent = texts.safety;
