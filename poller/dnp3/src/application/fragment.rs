//! A fragment: control, function, indications if it is a response, objects.

use super::{Blocks, Control, FragmentError, Function, Indications};

/// Longest fragment that every station must take (clause 4.2.2.1), and the most that we take or send, bytes.
pub const MAX_FRAGMENT: usize = 2048;

/// One fragment, taken apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fragment<'a> {
    /// Its place in the message, and its number.
    pub control: Control,
    /// What it is for.
    pub function: Function,
    /// What the outstation says of itself; in responses only.
    pub indications: Option<Indications>,
    /// The objects, still bytes.
    pub objects: &'a [u8],
}

impl<'a> Fragment<'a> {
    /// Takes a fragment apart.
    ///
    /// # Errors
    /// When it is shorter than its own header.
    pub fn parse(bytes: &'a [u8]) -> Result<Self, FragmentError> {
        let short = || FragmentError::TooShort(bytes.len());
        let (&[control, function], rest) = bytes.split_first_chunk::<2>().ok_or_else(short)?;
        let function = Function::from_code(function);
        let (indications, objects) = match function {
            Function::Response | Function::Unsolicited => {
                let (indications, objects) = rest.split_first_chunk::<2>().ok_or_else(short)?;
                (Some(Indications::from_bytes(*indications)), objects)
            }
            _ => (None, rest),
        };
        Ok(Self { control: Control::from_byte(control), function, indications, objects })
    }

    /// The blocks of objects, data included, unless objects are only asked for.
    #[must_use]
    pub const fn blocks(&self) -> Blocks<'a> {
        match self.function {
            Function::Read | Function::EnableUnsolicited | Function::DisableUnsolicited => {
                Blocks::headers(self.objects)
            }
            _ => Blocks::with_data(self.objects),
        }
    }
}
