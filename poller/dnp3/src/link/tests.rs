//! Frames from public sources, both ways. The first six are those of the tests of the opendnp3 project (Apache-2.0),
//! TestLinkFrame and TestCRC, read there; the last was put together by hand from the clauses, its check words by the algorithm.

use proptest::prelude::*;

use super::*;

/// Bytes from hexadecimal digits, spaces allowed.
pub(crate) fn hex(text: &str) -> Vec<u8> {
    let digits: Vec<u32> = text.chars().filter_map(|c| c.to_digit(16)).collect();
    digits.chunks(2).map(|pair| u8::try_from(pair[0] * 16 + pair[1]).unwrap()).collect()
}

fn header(from_master: bool, function: Function, destination: u16, source: u16) -> Header {
    Header {
        control: Control::new(from_master, function),
        destination: Address::from_wire(destination),
        source: Address::from_wire(source),
    }
}

fn frames() -> Vec<(&'static str, Header, &'static str)> {
    use Primary::*;
    let primary = |f| Function::Primary(f);
    let counted = |mut header: Header, bit| {
        header.control.count_bit = bit;
        header.control.count_valid = true;
        header
    };
    let ack = Function::Secondary(Secondary::Ack);
    vec![
        ("05 64 05 C0 01 00 00 04 E9 21", header(true, primary(ResetLinkStates), 1, 1024), ""),
        ("05 64 05 49 01 00 00 04 D2 36", header(false, primary(RequestLinkStatus), 1, 1024), ""),
        ("05 64 05 00 00 04 01 00 19 A6", header(false, ack, 1024, 1), ""),
        ("05 64 05 10 00 04 01 00 8B 0C", counted(header(false, ack, 1024, 1), false), ""),
        ("05 64 05 40 00 04 01 00 A3 96", header(false, primary(ResetLinkStates), 1024, 1), ""),
        (
            "05 64 14 F3 01 00 00 04 0A 3B C0 C3 01 3C 02 06 3C 03 06 3C 04 06 3C 01 06 9A 12",
            counted(header(true, primary(ConfirmedUserData), 1, 1024), true),
            "C0 C3 01 3C 02 06 3C 03 06 3C 04 06 3C 01 06",
        ),
        (
            "05 64 0B C4 0A 00 01 00 AC D1 C0 C0 01 3C 01 06 FF 50",
            header(true, primary(UnconfirmedUserData), 10, 1),
            "C0 C0 01 3C 01 06",
        ),
    ]
}

fn parse(pieces: &[&[u8]]) -> (Vec<(Header, Vec<u8>)>, Counters) {
    let mut parser = Parser::new();
    let mut found = vec![];
    for piece in pieces {
        parser.take(piece);
        while let Some(frame) = parser.next_frame() {
            found.push((frame.header, frame.user_data.to_vec()));
        }
    }
    (found, parser.counters())
}

#[test]
fn published_frames_read_and_write_the_same() {
    for (wire, header, user_data) in frames() {
        let (wire, user_data) = (hex(wire), hex(user_data));
        assert_eq!(parse(&[&wire]).0, [(header, user_data.clone())]);
        let mut out = vec![];
        encode(header, &user_data, &mut out);
        assert_eq!(out, wire);
    }
}

#[test]
fn a_damaged_check_word_is_counted_and_nothing_comes_of_it() {
    let (found, counters) = parse(&[&hex("05 64 05 C0 01 00 00 04 E9 20")]);
    assert_eq!((found.len(), counters.bad_headers, counters.discarded_bytes), (0, 1, 10));
    let (found, counters) =
        parse(&[&hex("05 64 14 F3 01 00 00 04 0A 3B C0 C3 01 3C 02 06 3C 03 06 3C 04 06 3C 01 06 9A 11")]);
    assert_eq!((found.len(), counters.bad_blocks), (0, 1));
}

#[test]
fn a_false_start_does_not_swallow_the_frame_behind_it() {
    let (found, counters) = parse(&[&hex("05 64 05 64 05 C0 01 00 00 04 E9 21")]);
    assert_eq!((found.len(), counters.frames, counters.discarded_bytes), (1, 1, 2));
    let (found, _) = parse(&[&hex("05 05 64 05 C0 01 00 00 04 E9 21 05")]);
    assert_eq!(found.len(), 1);
}

#[test]
fn a_length_below_five_is_no_header() {
    let mut wire = hex("05 64 04 C0 01 00 00 04");
    wire.extend_from_slice(&crate::crc(&wire).to_le_bytes());
    let (found, counters) = parse(&[&wire]);
    assert_eq!((found.len(), counters.bad_headers), (0, 1));
}

#[test]
fn each_link_request_has_its_answer() {
    let ask = |number: u8| {
        let control = Control::from_byte(0xC0 | number);
        answer(
            &Header { control, ..header(true, Function::Primary(Primary::TestLinkStates), 1, 1024) },
            false,
        )
        .map(|h| (h.control.byte(), h.destination.number(), h.source.number()))
    };
    assert_eq!(ask(0), Some((0x00, 1024, 1)));
    assert_eq!(ask(2), Some((0x00, 1024, 1)));
    assert_eq!(ask(3), Some((0x00, 1024, 1)));
    assert_eq!(ask(4), None);
    assert_eq!(ask(9), Some((0x0B, 1024, 1)));
    assert_eq!(ask(7), Some((0x0F, 1024, 1)));
    assert_eq!(answer(&header(true, Function::Secondary(Secondary::Nack), 1, 2), false), None);
    assert_eq!(answer(&header(true, Function::Primary(Primary::RequestLinkStatus), 0xFFFF, 2), false), None);
}

fn any_header() -> impl Strategy<Value = Header> {
    (any::<u8>(), any::<u16>(), any::<u16>()).prop_map(|(control, destination, source)| Header {
        control: Control::from_byte(control),
        destination: Address::from_wire(destination),
        source: Address::from_wire(source),
    })
}

fn any_user_data() -> impl Strategy<Value = Vec<u8>> {
    prop::collection::vec(any::<u8>(), 0..=MAX_USER_DATA)
}

proptest! {
    #[test]
    fn every_control_byte_is_itself_again(byte: u8) {
        prop_assert_eq!(Control::from_byte(byte).byte(), byte);
    }

    #[test]
    fn what_was_written_is_read(header in any_header(), user_data in any_user_data()) {
        let mut out = vec![];
        encode(header, &user_data, &mut out);
        prop_assert!(out.len() <= MAX_FRAME);
        prop_assert_eq!(parse(&[&out]).0, vec![(header, user_data)]);
    }

    #[test]
    fn the_same_is_found_however_the_stream_is_cut(
        parts in prop::collection::vec((any_header(), any_user_data(), prop::collection::vec(prop_oneof![Just(5_u8), Just(0x64), any::<u8>()], 0..20)), 1..5),
        damage in prop::option::of((any::<prop::sample::Index>(), 1_u8..)),
        cuts in prop::collection::vec(any::<prop::sample::Index>(), 0..12),
    ) {
        let mut stream = vec![];
        for (header, user_data, rubbish) in &parts {
            stream.extend_from_slice(rubbish);
            encode(*header, user_data, &mut stream);
        }
        if let Some((place, change)) = damage {
            let place = place.index(stream.len());
            stream[place] ^= change;
        }
        let mut cuts: Vec<usize> = cuts.iter().map(|c| c.index(stream.len())).collect();
        cuts.sort_unstable();
        let mut pieces: Vec<&[u8]> = vec![];
        let mut from = 0;
        for cut in cuts {
            pieces.push(&stream[from..cut]);
            from = cut;
        }
        pieces.push(&stream[from..]);
        let whole = parse(&[&stream]);
        prop_assert_eq!(parse(&pieces), whole.clone());
        let bytes: Vec<&[u8]> = stream.chunks(1).collect();
        prop_assert_eq!(parse(&bytes), whole);
    }
}
