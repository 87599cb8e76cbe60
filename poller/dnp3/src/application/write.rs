//! Headers of blocks into bytes.

/// All objects of a group and variation. Only to ask for them.
pub fn all(group: u8, variation: u8, out: &mut Vec<u8>) {
    out.extend_from_slice(&[group, variation, 0x06]);
}

/// Indices from `start` to `stop`, in as few bytes as they fit.
pub fn range(group: u8, variation: u8, start: u16, stop: u16, out: &mut Vec<u8>) {
    if let (Ok(start), Ok(stop)) = (u8::try_from(start), u8::try_from(stop)) {
        out.extend_from_slice(&[group, variation, 0x00, start, stop]);
    } else {
        out.extend_from_slice(&[group, variation, 0x01]);
        out.extend_from_slice(&start.to_le_bytes());
        out.extend_from_slice(&stop.to_le_bytes());
    }
}

/// So many objects without an index.
pub fn count(group: u8, variation: u8, count: u8, out: &mut Vec<u8>) {
    out.extend_from_slice(&[group, variation, 0x07, count]);
}

/// So many objects, each behind its index in two bytes. Returns where the count is, for [`set_prefixed_count`].
pub fn prefixed(group: u8, variation: u8, count: u16, out: &mut Vec<u8>) -> usize {
    out.extend_from_slice(&[group, variation, 0x28]);
    let place = out.len();
    out.extend_from_slice(&count.to_le_bytes());
    place
}

/// Corrects the count of a block begun with [`prefixed`].
pub fn set_prefixed_count(place: usize, count: u16, out: &mut [u8]) {
    if let Some(bytes) = out.get_mut(place..place + 2) {
        bytes.copy_from_slice(&count.to_le_bytes());
    }
}
