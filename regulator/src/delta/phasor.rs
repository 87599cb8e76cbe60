//! A complex number, as an alternating quantity is written.

use std::ops::{Add, Mul, Neg, Sub};

/// A phasor: r.m.s. magnitude and angle, kept as real and imaginary part.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Phasor {
    /// Real part.
    pub re: f64,
    /// Imaginary part.
    pub im: f64,
}

impl Phasor {
    /// From magnitude and angle in degrees.
    #[must_use]
    pub fn polar(magnitude: f64, degrees: f64) -> Self {
        let (sin, cos) = degrees.to_radians().sin_cos();
        Self { re: magnitude * cos, im: magnitude * sin }
    }

    /// Three phasors of one magnitude, a third of a turn apart: the first at `degrees`, the second behind it.
    #[must_use]
    pub fn balanced(magnitude: f64, degrees: f64) -> [Self; 3] {
        [0.0, -120.0, 120.0].map(|offset| Self::polar(magnitude, degrees + offset))
    }

    /// Magnitude.
    #[must_use]
    pub fn magnitude(self) -> f64 {
        self.re.hypot(self.im)
    }

    /// Angle in degrees, above -180 up to 180.
    #[must_use]
    pub fn degrees(self) -> f64 {
        self.im.atan2(self.re).to_degrees()
    }
}

impl Add for Phasor {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self { re: self.re + other.re, im: self.im + other.im }
    }
}

impl Sub for Phasor {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self { re: self.re - other.re, im: self.im - other.im }
    }
}

impl Neg for Phasor {
    type Output = Self;
    fn neg(self) -> Self {
        Self { re: -self.re, im: -self.im }
    }
}

impl Mul<f64> for Phasor {
    type Output = Self;
    fn mul(self, factor: f64) -> Self {
        Self { re: self.re * factor, im: self.im * factor }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn polar_form_comes_back_and_three_balanced_add_up_to_nothing() {
        let p = Phasor::polar(120.0, -147.0);
        assert!((p.magnitude() - 120.0).abs() < 1e-12 && (p.degrees() + 147.0).abs() < 1e-12);
        let [a, b, c] = Phasor::balanced(7200.0, 17.0);
        assert!((a + b + c).magnitude() < 1e-9);
        assert!(((a - b).magnitude() / a.magnitude() - 3.0_f64.sqrt()).abs() < 1e-12);
    }
}
