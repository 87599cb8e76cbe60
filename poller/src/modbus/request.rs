//! What may be asked of a device: reads of the four tables, and nothing else.
//!
//! Every request that this crate sends is a [`ReadRequest`], and a `ReadRequest` can only become one of the function codes 1
//! to 4. There is no way to build one that writes.

use tokio_modbus::Request;

/// Most registers that one request may ask for (Modbus Application Protocol V1.1b3, 6.3 and 6.4).
pub const MAX_REGISTERS: u16 = 125;
/// Most coils or discrete inputs that one request may ask for (the same, 6.1 and 6.2).
pub const MAX_BITS: u16 = 2000;

/// The four tables of the Modbus data model.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Table {
    /// Coils, read with function 1.
    Coil,
    /// Discrete inputs, read with function 2.
    Discrete,
    /// Holding registers, read with function 3.
    Holding,
    /// Input registers, read with function 4.
    Input,
}

impl Table {
    /// Every table.
    pub const ALL: &'static [Self] = &[Self::Coil, Self::Discrete, Self::Holding, Self::Input];

    /// The name used in profiles.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Coil => "coil",
            Self::Discrete => "discrete",
            Self::Holding => "holding",
            Self::Input => "input",
        }
    }

    /// The table of this name, if there is one.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|t| t.name() == name)
    }

    /// Whether the table holds single bits rather than 16-bit registers.
    #[must_use]
    pub const fn holds_bits(self) -> bool {
        matches!(self, Self::Coil | Self::Discrete)
    }

    /// The function code that reads it.
    #[must_use]
    pub const fn function(self) -> u8 {
        match self {
            Self::Coil => 1,
            Self::Discrete => 2,
            Self::Holding => 3,
            Self::Input => 4,
        }
    }

    /// Most items that one request may ask for.
    #[must_use]
    pub const fn limit(self) -> u16 {
        if self.holds_bits() { MAX_BITS } else { MAX_REGISTERS }
    }
}

/// One read of neighbouring items of one table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct ReadRequest {
    table: Table,
    address: u16,
    count: u16,
}

impl ReadRequest {
    /// A read of `count` items from `address` (counted from 0, as on the wire).
    ///
    /// None when the count is zero or above the protocol's limit, or when the read would run past address 65535.
    #[must_use]
    pub const fn new(table: Table, address: u16, count: u16) -> Option<Self> {
        let fits = count > 0 && count <= table.limit() && address as u32 + count as u32 <= 0x1_0000;
        if fits { Some(Self { table, address, count }) } else { None }
    }

    /// The table read.
    #[must_use]
    pub const fn table(self) -> Table {
        self.table
    }

    /// The first address read.
    #[must_use]
    pub const fn address(self) -> u16 {
        self.address
    }

    /// How many items are read.
    #[must_use]
    pub const fn count(self) -> u16 {
        self.count
    }

    /// The library's form of the request: the only place where one is made.
    pub(super) const fn to_library(self) -> Request<'static> {
        match self.table {
            Table::Coil => Request::ReadCoils(self.address, self.count),
            Table::Discrete => Request::ReadDiscreteInputs(self.address, self.count),
            Table::Holding => Request::ReadHoldingRegisters(self.address, self.count),
            Table::Input => Request::ReadInputRegisters(self.address, self.count),
        }
    }
}

impl std::fmt::Display for ReadRequest {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let last = u32::from(self.address) + u32::from(self.count) - 1;
        write!(f, "{} {}-{}", self.table.name(), self.address, last)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_reads_within_the_protocols_limits_exist() {
        assert!(ReadRequest::new(Table::Holding, 0, 125).is_some());
        assert!(ReadRequest::new(Table::Holding, 0, 126).is_none());
        assert!(ReadRequest::new(Table::Coil, 0, 2000).is_some());
        assert!(ReadRequest::new(Table::Coil, 0, 2001).is_none());
        assert!(ReadRequest::new(Table::Input, 0, 0).is_none());
        assert!(ReadRequest::new(Table::Input, 65_535, 1).is_some());
        assert!(ReadRequest::new(Table::Input, 65_535, 2).is_none());
    }
}
