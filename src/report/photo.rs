//! A photo made small for a note or a phone: JPEG, PNG or WebP in, an upright JPEG of some tens of kilobytes out.

use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

use super::ReportError;

/// Longest side of a small photo in pixels: sharp on a phone.
const SIDE: usize = 640;
/// JPEG quality, 1 to 100: the marks of a cut stay visible.
const QUALITY: u8 = 72;
/// Longest side and size of a photo that is read at all; what is beyond is no phone's.
const MOST_SIDE: usize = 16_384;
const MOST_PIXELS: usize = 120_000_000;

/// Pixels in rows from the top, three bytes each.
struct Pixels {
    width: usize,
    height: usize,
    rgb: Vec<u8>,
}

/// Tells by the first bytes of a file (a dozen do) whether it is a photo that can be shown.
///
/// # Returns
/// The usual ending of such a file's name; `None` for all else.
#[must_use]
pub fn photo_kind_of(head: &[u8]) -> Option<&'static str> {
    match head {
        [0xff, 0xd8, 0xff, ..] => Some("jpg"),
        [0x89, b'P', b'N', b'G', b'\r', b'\n', 0x1a, b'\n', ..] => Some("png"),
        [b'R', b'I', b'F', b'F', _, _, _, _, b'W', b'E', b'B', b'P', ..] => Some("webp"),
        _ => None,
    }
}

/// A photo as a small upright JPEG.
///
/// # Arguments
/// - `bytes`: of a JPEG, PNG or WebP file; the file's own orientation mark is followed, of a moving picture its first frame is taken.
///
/// # Errors
/// [`ReportError::Draw`] for bytes that are none of these, damaged or of a size that no camera has.
pub fn small_jpeg(bytes: &[u8]) -> Result<Vec<u8>, ReportError> {
    let pixels = match photo_kind_of(bytes) {
        Some("png") => from_png(bytes)?,
        Some("webp") => from_webp(bytes)?,
        _ => from_jpeg(bytes)?,
    };
    let small = upright(&shrunk(&pixels, SIDE), orientation(bytes));
    let mut out = Vec::new();
    let side = |n: usize| u16::try_from(n).map_err(|_| failed("too large"));
    jpeg_encoder::Encoder::new(&mut out, QUALITY)
        .encode(&small.rgb, side(small.width)?, side(small.height)?, jpeg_encoder::ColorType::Rgb)
        .map_err(|e| failed(&e.to_string()))?;
    Ok(out)
}

fn failed(text: &str) -> ReportError {
    ReportError::Draw { text: format!("the photo can't be shown: {text}") }
}

fn sized(width: usize, height: usize) -> Result<(), ReportError> {
    let fits = (1..=MOST_SIDE).contains(&width) && (1..=MOST_SIDE).contains(&height) && width * height <= MOST_PIXELS;
    if fits { Ok(()) } else { Err(failed(&format!("{width} x {height} pixels"))) }
}

fn from_jpeg(bytes: &[u8]) -> Result<Pixels, ReportError> {
    let options = DecoderOptions::default()
        .set_max_width(MOST_SIDE)
        .set_max_height(MOST_SIDE)
        .jpeg_set_out_colorspace(ColorSpace::RGB);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(bytes), options);
    decoder.decode_headers().map_err(|e| failed(&format!("no JPEG, PNG or WebP ({e})")))?;
    let (width, height) = decoder.dimensions().ok_or_else(|| failed("no size"))?;
    sized(width, height)?;
    let rgb = decoder.decode().map_err(|e| failed(&e.to_string()))?;
    if rgb.len() != width * height * 3 {
        return Err(failed("a colour space that is not read"));
    }
    Ok(Pixels { width, height, rgb })
}

fn from_png(bytes: &[u8]) -> Result<Pixels, ReportError> {
    let mut decoder = png::Decoder::new_with_limits(bytes, png::Limits { bytes: MOST_PIXELS * 4 });
    decoder.set_transformations(png::Transformations::normalize_to_color8());
    let mut reader = decoder.read_info().map_err(|e| failed(&e.to_string()))?;
    let (width, height) = (reader.info().width as usize, reader.info().height as usize);
    sized(width, height)?;
    let mut data = vec![0; reader.output_buffer_size()];
    let info = reader.next_frame(&mut data).map_err(|e| failed(&e.to_string()))?;
    Ok(Pixels { width, height, rgb: on_white(&data[..info.buffer_size()], info.color_type.samples()) })
}

fn from_webp(bytes: &[u8]) -> Result<Pixels, ReportError> {
    let wrong = |e: image_webp::DecodingError| failed(&e.to_string());
    let mut decoder = image_webp::WebPDecoder::new(std::io::Cursor::new(bytes)).map_err(wrong)?;
    decoder.set_memory_limit(MOST_PIXELS * 4);
    let (width, height) = decoder.dimensions();
    let (width, height) = (width as usize, height as usize);
    sized(width, height)?;
    let n = if decoder.has_alpha() { 4 } else { 3 };
    let mut data = vec![0; width * height * n];
    decoder.read_image(&mut data).map_err(wrong)?;
    Ok(Pixels { width, height, rgb: on_white(&data, n) })
}

/// Pixels of `n` bytes (grey or colours, then perhaps opacity) as they look on white paper.
fn on_white(data: &[u8], n: usize) -> Vec<u8> {
    let white = |value: u8, alpha: u8| {
        let (value, alpha) = (u16::from(value), u16::from(alpha));
        u8::try_from((value * alpha + 255 * (255 - alpha)) / 255).unwrap_or(u8::MAX)
    };
    data.chunks_exact(n)
        .flat_map(|p| match *p {
            [grey] => [grey; 3],
            [grey, alpha] => [white(grey, alpha); 3],
            [r, g, b] => [r, g, b],
            [r, g, b, alpha] => [white(r, alpha), white(g, alpha), white(b, alpha)],
            _ => [255; 3],
        })
        .collect()
}

/// EXIF orientation, 1 (upright) to 8.
fn orientation(bytes: &[u8]) -> u32 {
    let read = exif::Reader::new().read_from_container(&mut std::io::Cursor::new(bytes));
    let value = read.ok().and_then(|e| e.get_field(exif::Tag::Orientation, exif::In::PRIMARY)?.value.get_uint(0));
    value.filter(|v| (1..=8).contains(v)).unwrap_or(1)
}

/// Averages areas of pixels, so that the longest side is at most `side`.
fn shrunk(from: &Pixels, side: usize) -> Pixels {
    let longest = from.width.max(from.height);
    let to = |n: usize| if longest <= side { n } else { (n * side / longest).max(1) };
    let (width, height) = (to(from.width), to(from.height));
    let mut rgb = Vec::with_capacity(width * height * 3);
    for y in 0..height {
        let rows = y * from.height / height..((y + 1) * from.height / height).max(y * from.height / height + 1);
        for x in 0..width {
            let columns = x * from.width / width..((x + 1) * from.width / width).max(x * from.width / width + 1);
            let mut sum = [0_u64; 3];
            let mut n = 0;
            for row in rows.clone() {
                for column in columns.clone() {
                    let at = (row * from.width + column) * 3;
                    for (s, v) in sum.iter_mut().zip(&from.rgb[at..at + 3]) {
                        *s += u64::from(*v);
                    }
                    n += 1;
                }
            }
            rgb.extend(sum.map(|s| u8::try_from((s + n / 2) / n.max(1)).unwrap_or(u8::MAX)));
        }
    }
    Pixels { width, height, rgb }
}

/// Turns and mirrors by the EXIF orientation.
fn upright(from: &Pixels, orientation: u32) -> Pixels {
    let (w, h) = (from.width, from.height);
    let swapped = orientation >= 5;
    let (width, height) = if swapped { (h, w) } else { (w, h) };
    let mut rgb = Vec::with_capacity(from.rgb.len());
    for y in 0..height {
        for x in 0..width {
            let (u, v) = match orientation {
                2 => (w - 1 - x, y),
                3 => (w - 1 - x, h - 1 - y),
                4 => (x, h - 1 - y),
                5 => (y, x),
                6 => (y, h - 1 - x),
                7 => (w - 1 - y, h - 1 - x),
                8 => (w - 1 - y, x),
                _ => (x, y),
            };
            let at = (v * w + u) * 3;
            rgb.extend_from_slice(&from.rgb[at..at + 3]);
        }
    }
    Pixels { width, height, rgb }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A picture whose left upper corner is bright, as a JPEG; with an EXIF orientation where one is given.
    fn jpeg(width: u16, height: u16, orientation: Option<u8>) -> Vec<u8> {
        let (w, h) = (usize::from(width), usize::from(height));
        let rgb: Vec<u8> = (0..w * h)
            .flat_map(|k| if k % w < w / 3 && k / w < h / 3 { [230, 230, 230] } else { [30, 30, 30] })
            .collect();
        let mut out = Vec::new();
        let mut encoder = jpeg_encoder::Encoder::new(&mut out, 90);
        if let Some(o) = orientation {
            // TIFF header, one entry: tag 0x0112, type SHORT, count 1 (Exif 2.3, section 4.6.2).
            let tiff = [
                b'E', b'x', b'i', b'f', 0, 0, b'M', b'M', 0, 42, 0, 0, 0, 8, 0, 1, 0x01, 0x12, 0, 3, 0, 0, 0, 1, 0, o,
                0, 0, 0, 0, 0, 0,
            ];
            encoder.add_app_segment(1, tiff.to_vec()).unwrap();
        }
        encoder.encode(&rgb, width, height, jpeg_encoder::ColorType::Rgb).unwrap();
        out
    }

    /// Which corner of a JPEG is bright: right, lower.
    fn bright_corner(bytes: &[u8]) -> (usize, usize, bool, bool) {
        let p = from_jpeg(bytes).unwrap();
        let at = |x: usize, y: usize| p.rgb[(y * p.width + x) * 3];
        let all = [(3, 3), (p.width - 4, 3), (3, p.height - 4), (p.width - 4, p.height - 4)];
        let (x, y) = *all.iter().max_by_key(|(x, y)| at(*x, *y)).unwrap();
        (p.width, p.height, x > 3, y > 3)
    }

    #[test]
    fn a_large_photo_becomes_small_and_keeps_its_shape() {
        let small = small_jpeg(&jpeg(2000, 1500, None)).unwrap();
        assert_eq!(bright_corner(&small), (640, 480, false, false));
        assert!(small.len() < 60_000, "{} bytes", small.len());
        assert_eq!(bright_corner(&small_jpeg(&jpeg(90, 60, None)).unwrap()), (90, 60, false, false), "small stays");
    }

    // Exif 2.3, section 4.6.4, tag 274: where row 0 and column 0 of the stored pixels are seen.
    #[test]
    fn photos_stand_upright_whatever_way_the_phone_was_held() {
        for (orientation, want) in [
            (1, (90, 60, false, false)),
            (2, (90, 60, true, false)),
            (3, (90, 60, true, true)),
            (4, (90, 60, false, true)),
            (5, (60, 90, false, false)),
            (6, (60, 90, true, false)),
            (7, (60, 90, true, true)),
            (8, (60, 90, false, true)),
        ] {
            let small = small_jpeg(&jpeg(90, 60, Some(orientation))).unwrap();
            assert_eq!(bright_corner(&small), want, "orientation {orientation}");
        }
    }

    #[test]
    fn png_and_webp_are_read_and_what_is_neither_is_told() {
        for (colour, n) in
            [(png::ColorType::Rgba, 4), (png::ColorType::Grayscale, 1), (png::ColorType::GrayscaleAlpha, 2)]
        {
            let mut bytes = Vec::new();
            let mut encoder = png::Encoder::new(&mut bytes, 40, 20);
            encoder.set_color(colour);
            encoder.write_header().unwrap().write_image_data(&vec![128; 40 * 20 * n]).unwrap();
            let (w, h, ..) = bright_corner(&small_jpeg(&bytes).unwrap());
            assert_eq!((w, h), (40, 20));
            assert!(small_jpeg(&bytes[..bytes.len() / 2]).is_err());
        }
        for lossless_alpha in [false, true] {
            let (n, colour) =
                if lossless_alpha { (4, image_webp::ColorType::Rgba8) } else { (3, image_webp::ColorType::Rgb8) };
            let mut bytes = Vec::new();
            image_webp::WebPEncoder::new(&mut bytes).encode(&vec![128; 40 * 20 * n], 40, 20, colour).unwrap();
            assert_eq!(photo_kind_of(&bytes), Some("webp"));
            let (w, h, ..) = bright_corner(&small_jpeg(&bytes).unwrap());
            assert_eq!((w, h), (40, 20));
            assert!(small_jpeg(&bytes[..bytes.len() - 4]).is_err());
        }
        assert_eq!(photo_kind_of(&jpeg(90, 60, None)), Some("jpg"));
        assert_eq!(photo_kind_of(b"RIFF\0\0\0\0WAVEfmt "), None);
        for bytes in [&b""[..], b"GIF89a", &jpeg(90, 60, None)[..20]] {
            assert!(small_jpeg(bytes).unwrap_err().to_string().contains("photo"));
        }
    }
}
