//! The embedded fonts and the widths of their letters.

use std::sync::LazyLock;

use krilla::text::Font;
use ttf_parser::Face;

use crate::layout::Weight;

/// A font with its widths.
struct Typeface {
    font: Font,
    face: Face<'static>,
}

/// The fonts of a sheet.
pub struct Typefaces {
    regular: Typeface,
    bold: Typeface,
}

impl Typeface {
    fn of(bytes: &'static [u8]) -> Option<Self> {
        Some(Self {
            font: Font::new(bytes.into(), 0)?,
            face: Face::parse(bytes, 0).ok()?,
        })
    }
}

impl Typefaces {
    /// The fonts, read once.
    pub fn load() -> Option<&'static Self> {
        static FACES: LazyLock<Option<Typefaces>> = LazyLock::new(|| {
            Some(Typefaces {
                regular: Typeface::of(dejavu::sans_condensed::regular())?,
                bold: Typeface::of(dejavu::sans_condensed::bold())?,
            })
        });
        FACES.as_ref()
    }

    fn of(&self, weight: Weight) -> &Typeface {
        match weight {
            Weight::Regular => &self.regular,
            Weight::Bold => &self.bold,
        }
    }

    /// The font of a weight.
    pub fn font(&self, weight: Weight) -> Font {
        self.of(weight).font.clone()
    }

    /// Width of a text, without kerning.
    pub fn width(&self, weight: Weight, size: f32, text: &str) -> f32 {
        let face = &self.of(weight).face;
        let units: u32 = text
            .chars()
            .map(|letter| {
                let glyph = face.glyph_index(letter).unwrap_or_default();
                u32::from(face.glyph_hor_advance(glyph).unwrap_or_default())
            })
            .sum();
        units as f32 * size / f32::from(face.units_per_em())
    }
}
