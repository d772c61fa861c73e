//! How colours look to people, by published formulas.

/// Red, green and blue in proportion to light, from 0 to 1.
pub(super) type Light = [f64; 3];

/// By the definition of sRGB (IEC 61966-2-1); WCAG 2.2 uses the same curve.
pub(super) fn light_of(rgb: [u8; 3]) -> Light {
    rgb.map(|level| {
        let level = f64::from(level) / 255.0;
        if level <= 0.040_45 { level / 12.92 } else { ((level + 0.055) / 1.055).powf(2.4) }
    })
}

pub(super) fn light_of_hex(hex: &str) -> Light {
    assert!(hex.len() == 7 && hex.starts_with('#'), "{hex}");
    light_of([1, 3, 5].map(|at| u8::from_str_radix(&hex[at..at + 2], 16).unwrap()))
}

/// The colour cube and the greys of xterm.
pub(super) fn light_of_index(index: u8) -> Light {
    const STEPS: [u8; 6] = [0, 95, 135, 175, 215, 255];
    assert!(index >= 16, "below 16 every terminal has colours of its own");
    if index >= 232 {
        return light_of([8 + 10 * (index - 232); 3]);
    }
    let place = usize::from(index - 16);
    light_of([STEPS[place / 36], STEPS[place / 6 % 6], STEPS[place % 6]])
}

/// WCAG 2.2, "relative luminance" and "contrast ratio".
pub(super) fn contrast(one: Light, other: Light) -> f64 {
    let luminance = |[red, green, blue]: Light| 0.2126 * red + 0.7152 * green + 0.0722 * blue;
    let (one, other) = (luminance(one), luminance(other));
    (one.max(other) + 0.05) / (one.min(other) + 0.05)
}

/// Whose eyes.
#[derive(Clone, Copy, Debug)]
pub(super) enum Eyes {
    Usual,
    Protanopia,
    Deuteranopia,
    Tritanopia,
}

impl Eyes {
    pub(super) const ALL: [Eyes; 4] = [Eyes::Usual, Eyes::Protanopia, Eyes::Deuteranopia, Eyes::Tritanopia];

    /// Machado, Oliveira and Fernandes: "A Physiologically-based Model for Simulation of Color Vision Deficiency", IEEE
    /// Transactions on Visualization and Computer Graphics 15 (6), 2009, severity 1.0. The figures were typed from
    /// memory and compared with copies in public code, save those for tritanopia; they are for linear light.
    fn matrix(self) -> [[f64; 3]; 3] {
        match self {
            Eyes::Usual => [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
            Eyes::Protanopia => [
                [0.152_286, 1.052_583, -0.204_868],
                [0.114_503, 0.786_281, 0.099_216],
                [-0.003_882, -0.048_116, 1.051_998],
            ],
            Eyes::Deuteranopia => [
                [0.367_322, 0.860_646, -0.227_968],
                [0.280_085, 0.672_501, 0.047_413],
                [-0.011_820, 0.042_940, 0.968_881],
            ],
            Eyes::Tritanopia => [
                [1.255_528, -0.076_749, -0.178_779],
                [-0.078_411, 0.930_809, 0.147_602],
                [0.004_733, 0.691_367, 0.303_900],
            ],
        }
    }

    pub(super) fn see(self, light: Light) -> Light {
        self.matrix()
            .map(|row| row.iter().zip(light).map(|(part, of)| part * of).sum::<f64>().clamp(0.0, 1.0))
    }
}

/// CIELAB for sRGB's white, D65 (CIE 15, from memory).
pub(super) fn lab([red, green, blue]: Light) -> [f64; 3] {
    let x = 0.412_456_4 * red + 0.357_576_1 * green + 0.180_437_5 * blue;
    let y = 0.212_672_9 * red + 0.715_152_2 * green + 0.072_175_0 * blue;
    let z = 0.019_333_9 * red + 0.119_192_0 * green + 0.950_304_1 * blue;
    let bend = |part: f64| {
        let knee: f64 = 6.0 / 29.0;
        if part > knee.powi(3) { part.cbrt() } else { part / (3.0 * knee * knee) + 4.0 / 29.0 }
    };
    let (x, y, z) = (bend(x / 0.950_47), bend(y), bend(z / 1.088_83));
    [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
}

/// CIE 1976, ΔE*ab (CIE 15, from memory).
pub(super) fn difference(one: Light, other: Light) -> f64 {
    lab(one).iter().zip(lab(other)).map(|(one, other)| (one - other).powi(2)).sum::<f64>().sqrt()
}
