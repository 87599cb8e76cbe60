//! The application layer: nothing in a fragment makes more values than its bytes hold, and a value that was read can be written.

use dnp3::application::{Block, Blocks, Fragment};
use dnp3::objects::attribute::Content;
use dnp3::objects::{EventTime, Layout, Meaning, Point, Points, Time, Timestamp, Value, encode, read_time};

/// Takes an input: a fragment.
pub fn run(data: &[u8]) {
    let fragment = match Fragment::parse(data) {
        Ok(fragment) => fragment,
        Err(error) => {
            assert!(!error.to_string().is_empty());
            return;
        }
    };
    let _ = fragment.indications.map(|indications| indications.to_string());
    assert!(fragment.objects.len() + 2 <= data.len());
    walk(fragment.blocks(), data.len());
    // whatever the function says, both readings of the same bytes must be safe
    walk(Blocks::headers(fragment.objects), data.len());
    walk(Blocks::with_data(fragment.objects), data.len());
}

fn walk(blocks: Blocks<'_>, length: usize) {
    let (mut headers, mut bytes, mut values) = (0, 0, 0);
    let mut common = None;
    for block in blocks {
        let block = match block {
            Ok(block) => block,
            Err(error) => {
                assert!(!error.to_string().is_empty());
                headers += 1;
                continue;
            }
        };
        headers += 1;
        bytes += block.data.len();
        match block.shape.meaning {
            Meaning::CommonTime { synchronised } => {
                common = read_time(&block).map(|at| Time { at, synchronised: Some(synchronised) });
            }
            Meaning::Time | Meaning::LastRecordedTime => drop(read_time(&block)),
            _ => {}
        }
        for point in Points::of(&block, common) {
            values += 1;
            look_at(&block, &point);
        }
        for attribute in block.attributes() {
            values += 1;
            if let Content::Text(text) | Content::Other(_, text) = attribute.content {
                assert!(text.len() <= block.data.len());
            }
        }
    }
    assert!(headers <= length.div_ceil(3), "a header takes three bytes");
    assert!(bytes <= length, "no byte is in two blocks");
    assert!(values <= 8 * bytes, "a byte holds eight values at most");
}

fn look_at(block: &Block<'_>, point: &Point<'_>) {
    let good = point.flags.is_none_or(|flags| flags.faults(point.kind).next().is_none());
    assert_eq!(point.is_good(), good);
    if let Value::Octets(octets) = point.value {
        assert!(octets.len() <= block.data.len());
    }
    write_and_read(block, point);
}

/// Writes a value in the form in which it came, and reads it again.
fn write_and_read(block: &Block<'_>, point: &Point<'_>) {
    let layout = block.shape.layout;
    let (length, timed) = match layout {
        Layout::Fields(fields) => (fields.size(), fields.time == EventTime::Absolute),
        Layout::Octets(length) => (length.into(), false),
        Layout::Bits | Layout::BitPairs | Layout::Attribute | Layout::Nothing => return,
    };
    let mut wire = vec![block.group, block.variation];
    let [low, high] = point.index.to_le_bytes();
    if point.event {
        wire.extend_from_slice(&[0x28, 1, 0, low, high]);
    } else {
        wire.extend_from_slice(&[0x01, low, high, low, high]);
    }
    let header = wire.len();
    encode(point, layout, Timestamp::from_millis(0), &mut wire);
    assert_eq!(wire.len() - header, length, "{layout:?}");

    let again = Blocks::with_data(&wire).next().expect("a block").expect("a sound one");
    let again = Points::of(&again, None).next().expect("a value");
    assert_eq!((again.kind, again.index, again.event), (point.kind, point.index, point.event));
    match (again.value, point.value) {
        // what no number can say goes out as the nearest that can, marked as over range (clause 11.9.1.2)
        (Value::Analog(after), Value::Analog(before)) if !before.is_finite() => {
            assert_eq!(after.is_nan(), before.is_nan());
        }
        (after, before) => {
            assert_eq!(after, before);
            assert_eq!(again.flags, point.flags);
        }
    }
    assert!(!timed || again.time == point.time);
}
