//! The registers and bits of one control as they stand, and reading them.

/// The four tables of Modbus.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Table {
    Coil,
    Discrete,
    Holding,
    Input,
}

#[derive(Debug, Clone)]
struct Block {
    table: Table,
    first: u16,
    /// Bits are kept as words of 0 and 1.
    words: Vec<u16>,
}

/// What one control answers from.
#[derive(Debug, Clone)]
pub(crate) struct Image {
    blocks: Vec<Block>,
}

impl Image {
    pub(crate) fn new(ranges: &[(Table, u16, u16)]) -> Self {
        let block =
            |&(table, first, length): &(_, _, u16)| Block { table, first, words: vec![0; length.into()] };
        Self { blocks: ranges.iter().map(block).collect() }
    }

    /// The words from `address` on; nothing if any of them does not exist.
    pub(crate) fn read(&self, table: Table, address: u16, count: u16) -> Option<&[u16]> {
        self.blocks.iter().filter(|b| b.table == table).find_map(|b| {
            let from = usize::from(address.checked_sub(b.first)?);
            b.words.get(from..from + usize::from(count))
        })
    }

    fn word(&mut self, table: Table, address: u16) -> Option<&mut u16> {
        self.blocks.iter_mut().filter(|b| b.table == table).find_map(|b| {
            let at = usize::from(address.checked_sub(b.first)?);
            b.words.get_mut(at)
        })
    }

    pub(crate) fn set_word(&mut self, table: Table, address: u16, value: u16) {
        self.set_bits(table, address, 0xFFFF, value);
    }

    pub(crate) fn set_bits(&mut self, table: Table, address: u16, mask: u16, value: u16) {
        debug_assert!(self.word(table, address).is_some(), "{table:?} {address} is not in the layout");
        if let Some(word) = self.word(table, address) {
            *word = *word & !mask | value & mask;
        }
    }

    pub(crate) fn set_bit(&mut self, table: Table, address: u16, value: bool) {
        self.set_word(table, address, u16::from(value));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_exists_can_be_read() {
        let mut image = Image::new(&[(Table::Holding, 100, 10), (Table::Holding, 200, 2)]);
        image.set_word(Table::Holding, 109, 7);
        assert_eq!(image.read(Table::Holding, 108, 2), Some(&[0, 7][..]));
        for (table, address, count) in [
            (Table::Holding, 99, 1),
            (Table::Holding, 109, 2),
            (Table::Holding, 202, 1),
            (Table::Input, 100, 1),
            (Table::Holding, 65_535, 1),
        ] {
            assert_eq!(image.read(table, address, count), None);
        }
    }
}
