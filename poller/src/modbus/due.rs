//! The answer that is due after a request, checked byte by byte as it comes. No socket here: bytes in, faults out.

use std::io::{self, ErrorKind};

use super::Framing;

/// What the wire found wrong; travels inside an [`io::Error`].
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(super) enum WireFault {
    /// The peer ended the connection while nothing was asked.
    #[error("the device ended the connection between requests")]
    EndedIdle,
    /// The peer ended the connection while an answer was due.
    #[error("the device ended the connection after {0} bytes of its answer")]
    EndedEarly(usize),
    /// Not the answer to the request.
    #[error("{0}")]
    Wrong(String),
    /// The library wanted to send something else than one whole read request.
    #[error("refused to send anything but a read request")]
    NotARead,
}

impl WireFault {
    pub(super) fn into_io(self) -> io::Error {
        io::Error::new(ErrorKind::InvalidData, self)
    }

    /// The fault inside an error, if it came from here.
    pub(super) fn of(error: &io::Error) -> Option<&Self> {
        error.get_ref()?.downcast_ref()
    }
}

fn wrong<T>(what: impl Into<String>) -> Result<T, WireFault> {
    Err(WireFault::Wrong(what.into()))
}

/// The answer that is due, and how much of it has come.
#[derive(Debug, Clone, Copy)]
pub(super) struct Due {
    framing: Framing,
    transaction: [u8; 2],
    unit: u8,
    function: u8,
    data_len: usize,
    /// As much of the start of the answer as is checked.
    head: [u8; HEAD],
    pub(super) received: usize,
}

/// Bytes of an answer up to its byte count, in the longer framing.
const HEAD: usize = 9;

impl Due {
    /// What to expect after this request; an error if it is not one whole read request.
    pub(super) fn after(framing: Framing, request: &[u8]) -> Result<Self, WireFault> {
        let (transaction, unit, pdu) = match (framing, request) {
            (Framing::Tcp, [t0, t1, 0, 0, 0, 6, unit, pdu @ ..]) => ([*t0, *t1], *unit, pdu),
            (Framing::RtuOverTcp, [unit, pdu @ .., _, _]) => ([0, 0], *unit, pdu),
            _ => return Err(WireFault::NotARead),
        };
        let [function @ 1..=4, _, _, high, low] = *pdu else { return Err(WireFault::NotARead) };
        let count = usize::from(u16::from_be_bytes([high, low]));
        let data_len = if function <= 2 { count.div_ceil(8) } else { 2 * count };
        Ok(Self { framing, transaction, unit, function, data_len, head: [0; HEAD], received: 0 })
    }

    /// Takes the next bytes of the answer.
    pub(super) fn take(&mut self, bytes: &[u8]) -> Result<(), WireFault> {
        for (slot, byte) in self.head.iter_mut().skip(self.received).zip(bytes) {
            *slot = *byte;
        }
        self.received += bytes.len();
        let expected = match self.framing {
            Framing::Tcp => self.check_tcp()?,
            Framing::RtuOverTcp => self.check_rtu()?,
        };
        match expected {
            Some(length) if self.received > length => {
                wrong(format!("{} bytes too many", self.received - length))
            }
            _ => Ok(()),
        }
    }

    /// Checks the header as far as it has come; the whole frame's length once it is known.
    fn check_tcp(&self) -> Result<Option<usize>, WireFault> {
        if self.received < 6 {
            return Ok(None);
        }
        let [t0, t1, p0, p1, l0, l1, unit, ..] = self.head;
        if [t0, t1] != self.transaction {
            let (got, due) = (u16::from_be_bytes([t0, t1]), u16::from_be_bytes(self.transaction));
            return wrong(format!("transaction {got} answered, {due} was asked"));
        }
        if [p0, p1] != [0, 0] {
            return wrong(format!("protocol identifier {} is not Modbus", u16::from_be_bytes([p0, p1])));
        }
        let length = usize::from(u16::from_be_bytes([l0, l1]));
        if length != 3 && length != 3 + self.data_len {
            return wrong(format!(
                "a frame of {length} bytes announced, {} or 3 would be right",
                3 + self.data_len
            ));
        }
        if self.received > 6 {
            self.check_unit(unit)?;
        }
        if self.received > 8 {
            self.check_pdu(self.head[7], self.head[8], Some(length - 1))?;
        }
        Ok(Some(6 + length))
    }

    fn check_rtu(&self) -> Result<Option<usize>, WireFault> {
        let [unit, function, count, ..] = self.head;
        if self.received > 0 {
            self.check_unit(unit)?;
        }
        if self.received < 3 {
            return Ok(None);
        }
        Ok(Some(1 + self.check_pdu(function, count, None)? + 2))
    }

    fn check_unit(&self, unit: u8) -> Result<(), WireFault> {
        if unit == self.unit {
            Ok(())
        } else {
            wrong(format!("unit {unit} answered, {} was asked", self.unit))
        }
    }

    /// Checks function and byte count; the length of the whole PDU.
    fn check_pdu(&self, function: u8, count: u8, announced: Option<usize>) -> Result<usize, WireFault> {
        let length = if function == self.function {
            if usize::from(count) != self.data_len {
                return wrong(format!("{count} bytes of data, {} were asked", self.data_len));
            }
            2 + self.data_len
        } else if function == self.function | 0x80 {
            2
        } else {
            return wrong(format!("function {function} answered, {} was asked", self.function));
        };
        match announced {
            Some(announced) if announced != length => {
                wrong(format!("a frame announced for {announced} bytes holds {length}"))
            }
            _ => Ok(length),
        }
    }

    /// Whether the whole answer has come.
    pub(super) fn complete(&self) -> bool {
        // `take` has passed, so the header is right as far as it has come
        let expected = match self.framing {
            Framing::Tcp => self.check_tcp(),
            Framing::RtuOverTcp => self.check_rtu(),
        };
        matches!(expected, Ok(Some(length)) if self.received >= length)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hex(text: &str) -> Vec<u8> {
        text.split_whitespace().map(|b| u8::from_str_radix(b, 16).unwrap()).collect()
    }

    /// Modbus Application Protocol V1.1b3, 6.3: read holding registers 108 to 110, in both framings.
    const TCP_REQUEST: &str = "00 01 00 00 00 06 11 03 00 6B 00 03";
    const TCP_ANSWER: &str = "00 01 00 00 00 09 11 03 06 02 2B 00 00 00 64";
    const RTU_REQUEST: &str = "11 03 00 6B 00 03 76 87";
    const RTU_ANSWER: &str = "11 03 06 02 2B 00 00 00 64 C8 BA";

    fn take(framing: Framing, answer: &str) -> Result<bool, WireFault> {
        let request = if framing == Framing::Tcp { TCP_REQUEST } else { RTU_REQUEST };
        let whole = hex(answer);
        let mut at_once = Due::after(framing, &hex(request)).unwrap();
        let result = at_once.take(&whole).map(|()| at_once.complete());
        let mut piecewise = Due::after(framing, &hex(request)).unwrap();
        let in_pieces = whole.iter().try_for_each(|b| piecewise.take(&[*b])).map(|()| piecewise.complete());
        assert_eq!(result.is_ok(), in_pieces.is_ok(), "in one piece and byte by byte");
        result
    }

    #[test]
    fn the_answer_asked_for_passes_in_one_piece_and_byte_by_byte() {
        assert_eq!(take(Framing::Tcp, TCP_ANSWER), Ok(true));
        assert_eq!(take(Framing::RtuOverTcp, RTU_ANSWER), Ok(true));
        assert_eq!(take(Framing::Tcp, "00 01 00 00 00 03 11 83 02"), Ok(true));
        assert_eq!(take(Framing::RtuOverTcp, "11 83 02 C1 34"), Ok(true));
        assert_eq!(take(Framing::Tcp, &TCP_ANSWER[..30]), Ok(false));
    }

    #[test]
    fn anything_else_is_refused_with_its_reason() {
        for (answer, reason) in [
            ("00 02 00 00 00 09 11 03 06 02 2B 00 00 00 64", "transaction 2 answered, 1 was asked"),
            ("00 01 00 07 00 09 11 03 06 02 2B 00 00 00 64", "protocol identifier 7"),
            ("00 01 00 00 FF FF", "a frame of 65535 bytes announced"),
            ("00 01 00 00 00 00 11 03 06", "a frame of 0 bytes announced"),
            ("00 01 00 00 00 07 11 03 04 02 2B 00 00", "a frame of 7 bytes announced"),
            ("00 01 00 00 00 09 12 03 06 02 2B 00 00 00 64", "unit 18 answered, 17 was asked"),
            ("00 01 00 00 00 09 11 04 06 02 2B 00 00 00 64", "function 4 answered, 3 was asked"),
            ("00 01 00 00 00 09 11 03 04 02 2B 00 00 00 64", "4 bytes of data, 6 were asked"),
            ("00 01 00 00 00 09 11 83 02 02 2B 00 00 00 64", "a frame announced for 8 bytes holds 2"),
            ("00 01 00 00 00 09 11 03 06 02 2B 00 00 00 64 00", "1 bytes too many"),
        ] {
            let fault = take(Framing::Tcp, answer).unwrap_err().to_string();
            assert!(fault.contains(reason), "{fault}");
        }
        for (answer, reason) in [
            ("12 03 06 02 2B 00 00 00 64 C8 BA", "unit 18 answered"),
            ("11 03 04 02 2B 00 00 C8 BA", "4 bytes of data"),
            ("11 10 00 6B 00 03", "function 16 answered"),
            ("11 03 06 02 2B 00 00 00 64 C8 BA 11", "1 bytes too many"),
        ] {
            let fault = take(Framing::RtuOverTcp, answer).unwrap_err().to_string();
            assert!(fault.contains(reason), "{fault}");
        }
    }

    #[test]
    fn only_whole_read_requests_may_leave() {
        for function in 0..=255u8 {
            let request = [0, 1, 0, 0, 0, 6, 1, function, 0, 0, 0, 1];
            assert_eq!(Due::after(Framing::Tcp, &request).is_ok(), (1..=4).contains(&function));
            let request = [1, function, 0, 0, 0, 1, 0, 0];
            assert_eq!(Due::after(Framing::RtuOverTcp, &request).is_ok(), (1..=4).contains(&function));
        }
        assert_eq!(
            Due::after(Framing::Tcp, &[0, 1, 0, 0, 0, 6, 1, 3, 0, 0]).err(),
            Some(WireFault::NotARead)
        );
        assert_eq!(Due::after(Framing::Tcp, &[]).err(), Some(WireFault::NotARead));
    }
}
