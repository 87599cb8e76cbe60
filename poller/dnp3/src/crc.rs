//! The check word of the link layer (clause 9.2.4.3.8): polynomial 0x3D65, reflected, starting at zero, complemented at the end.

/// 0x3D65 with its bits reversed.
const REFLECTED: u16 = 0xA6BC;

/// `TABLES[k][b]`: what byte `b` contributes when `k` more bytes follow in the same step.
const TABLES: [[u16; 256]; 8] = tables();

#[allow(clippy::cast_possible_truncation, reason = "the index of a table of 256")]
const fn tables() -> [[u16; 256]; 8] {
    let mut tables = [[0; 256]; 8];
    let mut byte = 0;
    while byte < 256 {
        let mut value = byte as u16;
        let mut bit = 0;
        while bit < 8 {
            value = if value & 1 == 1 { value >> 1 ^ REFLECTED } else { value >> 1 };
            bit += 1;
        }
        tables[0][byte] = value;
        byte += 1;
    }
    let mut k = 1;
    while k < 8 {
        let mut byte = 0;
        while byte < 256 {
            let before = tables[k - 1][byte];
            tables[k][byte] = before >> 8 ^ tables[0][(before & 0xFF) as usize];
            byte += 1;
        }
        k += 1;
    }
    tables
}

/// The check word of `bytes`; it is sent low byte first.
#[must_use]
pub fn crc(bytes: &[u8]) -> u16 {
    let mut value = 0_u16;
    let mut eights = bytes.chunks_exact(8);
    for eight in &mut eights {
        let [low, high] = value.to_le_bytes();
        value = TABLES[7][usize::from(eight[0] ^ low)]
            ^ TABLES[6][usize::from(eight[1] ^ high)]
            ^ TABLES[5][usize::from(eight[2])]
            ^ TABLES[4][usize::from(eight[3])]
            ^ TABLES[3][usize::from(eight[4])]
            ^ TABLES[2][usize::from(eight[5])]
            ^ TABLES[1][usize::from(eight[6])]
            ^ TABLES[0][usize::from(eight[7])];
    }
    for &byte in eights.remainder() {
        let [low, _] = value.to_le_bytes();
        value = value >> 8 ^ TABLES[0][usize::from(low ^ byte)];
    }
    !value
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The catalogue of parametrised CRC algorithms gives this check value for CRC-16/DNP.
    #[test]
    fn the_catalogues_check_value() {
        assert_eq!(crc(b"123456789"), 0xEA82);
    }

    /// The link header of the first frame of `link::tests::FRAMES`.
    #[test]
    fn a_header_from_the_field() {
        assert_eq!(crc(&[0x05, 0x64, 0x05, 0xC0, 0x01, 0x00, 0x00, 0x04]).to_le_bytes(), [0xE9, 0x21]);
    }

    #[test]
    fn eight_at_a_time_is_the_same_as_one_at_a_time() {
        let bitwise = |bytes: &[u8]| {
            let mut value = 0_u16;
            for byte in bytes {
                value ^= u16::from(*byte);
                for _ in 0..8 {
                    value = if value & 1 == 1 { value >> 1 ^ REFLECTED } else { value >> 1 };
                }
            }
            !value
        };
        let bytes: Vec<u8> = (0..=255).map(|i: u8| i.wrapping_mul(37) ^ 0x5A).collect();
        for length in 0..bytes.len() {
            assert_eq!(crc(&bytes[..length]), bitwise(&bytes[..length]), "{length}");
        }
    }
}
