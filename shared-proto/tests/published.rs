//! Check sum, COBS and varints against values published elsewhere, through the very code a frame goes through.

use ohmward_proto::FrameError;
use ohmward_proto::checksum::CRC;
use ohmward_proto::frame::decode_in_place;
use postcard::ser_flavors::{Cobs, Flavor, Slice};

/// Catalogue of parametrised CRC algorithms (reveng), entry CRC-32/ISCSI: check value over "123456789".
#[test]
fn crc_32c_check_value() {
    assert_eq!(CRC.checksum(b"123456789"), 0xE306_9283);
}

/// RFC 3720, appendix B.4, gives the four 32-byte rows (bytes as sent: little-endian). The others were computed with
/// PyPI crcmod 1.7, "crc-32c".
#[test]
fn crc_32c_vectors() {
    let rising: Vec<u8> = (0..=0xff).collect();
    let falling: Vec<u8> = (0..32).rev().collect();
    let rows: [(&[u8], u32); 10] = [
        (&[], 0x0000_0000),
        (&[0x00], 0x527d_5351),
        (&[0xff; 4], 0xffff_ffff),
        (b"123456789", 0xe306_9283),
        (&[0x00; 32], 0x8a91_36aa),
        (&[0xff; 32], 0x62a8_ab43),
        (&rising[..32], 0x46dd_794e),
        (&falling, 0x113f_db5c),
        (&rising, 0x9c44_184b),
        (&[0x41; 256], 0xfc55_f5e7),
    ];
    for (data, sum) in rows {
        assert_eq!(CRC.checksum(data), sum, "{} bytes {data:02x?}", data.len());
    }
}

/// Examples of the public encyclopedia's article on COBS and of the test suite of PyPI cobs 1.2.2 (recomputed with it);
/// rules: IEEE/ACM Transactions on Networking 7(2), 1999.
#[test]
fn cobs_vectors() {
    let span = |from: u8, to: u8| (from..=to).collect::<Vec<u8>>();
    let join = |parts: &[&[u8]]| parts.concat();
    let rows: Vec<(Vec<u8>, Vec<u8>)> = vec![
        (vec![], vec![0x01]),
        (vec![0x00], vec![0x01, 0x01]),
        (vec![0x00, 0x00], vec![0x01, 0x01, 0x01]),
        (vec![0x00; 4], vec![0x01; 5]),
        (vec![0x00, 0x11, 0x00], vec![0x01, 0x02, 0x11, 0x01]),
        (
            vec![0x11, 0x22, 0x00, 0x33],
            vec![0x03, 0x11, 0x22, 0x02, 0x33],
        ),
        (
            vec![0x11, 0x22, 0x33, 0x44],
            vec![0x05, 0x11, 0x22, 0x33, 0x44],
        ),
        (
            vec![0x11, 0x00, 0x00, 0x00],
            vec![0x02, 0x11, 0x01, 0x01, 0x01],
        ),
        (vec![0x31], vec![0x02, 0x31]),
        (b"12345\x006789".to_vec(), b"\x0612345\x056789".to_vec()),
        // Borders at 254 bytes without a zero.
        (span(0x01, 0xfe), join(&[&[0xff], &span(0x01, 0xfe)])),
        (span(0x00, 0xfe), join(&[&[0x01, 0xff], &span(0x01, 0xfe)])),
        (
            span(0x01, 0xff),
            join(&[&[0xff], &span(0x01, 0xfe), &[0x02, 0xff]]),
        ),
        (
            join(&[&span(0x02, 0xff), &[0x00]]),
            join(&[&[0xff], &span(0x02, 0xff), &[0x01, 0x01]]),
        ),
        (
            join(&[&span(0x03, 0xff), &[0x00, 0x01]]),
            join(&[&[0xfe], &span(0x03, 0xff), &[0x02, 0x01]]),
        ),
    ];
    for (data, encoded) in rows {
        let mut back = encoded.clone();
        let len = cobs::decode_in_place(&mut back).unwrap();
        assert_eq!(&back[..len], data, "decoding {encoded:02x?}");

        let mut room = [0; 600];
        let mut made = Cobs::try_new(Slice::new(&mut room)).unwrap();
        made.try_extend(&data).unwrap();
        let made = made.finalize().unwrap().to_vec();
        let (zero, made) = made.split_last().unwrap();
        assert_eq!(*zero, 0);
        // A run of exactly 254 bytes at the very end: some encoders, ours among them, add one needless 01. The rules
        // let a receiver take both, and `cobs_decoders_take_the_needless_last_code` shows that ours does.
        let tolerated = data == span(0x01, 0xfe) || data == span(0x00, 0xfe);
        if made != encoded {
            assert!(tolerated, "encoding {data:02x?} gave {made:02x?}");
            assert_eq!(made, join(&[&encoded, &[0x01]]));
        }
    }
}

#[test]
fn cobs_decoders_take_the_needless_last_code() {
    let data: Vec<u8> = (0x01..=0xfe).collect();
    let mut with = [&[0xff][..], &data, &[0x01]].concat();
    let len = cobs::decode_in_place(&mut with).unwrap();
    assert_eq!(&with[..len], data);
}

/// Test suite of PyPI cobs 1.2.2: a zero inside, or a block shorter than its code says.
#[test]
fn cobs_invalid_blocks_are_no_frames() {
    let rows: [&[u8]; 4] = [&[0x00], b"\x05123", b"\x051234\x00", b"\x0512\x004"];
    for row in rows {
        let mut frame = row.to_vec();
        assert_eq!(
            decode_in_place(&mut frame),
            Err(FrameError::Form),
            "{row:02x?}"
        );
    }
}

/// postcard wire format specification 1.x, "Varint encoding".
#[test]
fn postcard_unsigned_varints() {
    let rows: [(u16, &[u8]); 7] = [
        (0, &[0x00]),
        (127, &[0x7f]),
        (128, &[0x80, 0x01]),
        (16_383, &[0xff, 0x7f]),
        (16_384, &[0x80, 0x80, 0x01]),
        (16_385, &[0x81, 0x80, 0x01]),
        (65_535, &[0xff, 0xff, 0x03]),
    ];
    for (value, bytes) in rows {
        assert_eq!(encoded(&value), bytes, "{value}");
        assert_eq!(postcard::from_bytes::<u16>(bytes), Ok(value));
    }
}

/// postcard wire format specification 1.x, "Zigzag encoding". For 32767 its text prints FF FF 02, yet its own zigzag column,
/// FFFE, encodes to FE FF 03; the row here is that one.
#[test]
fn postcard_signed_varints() {
    let rows: [(i16, &[u8]); 9] = [
        (0, &[0x00]),
        (-1, &[0x01]),
        (1, &[0x02]),
        (63, &[0x7e]),
        (-64, &[0x7f]),
        (64, &[0x80, 0x01]),
        (-65, &[0x81, 0x01]),
        (32_767, &[0xfe, 0xff, 0x03]),
        (-32_768, &[0xff, 0xff, 0x03]),
    ];
    for (value, bytes) in rows {
        assert_eq!(encoded(&value), bytes, "{value}");
        assert_eq!(postcard::from_bytes::<i16>(bytes), Ok(value));
    }
}

/// postcard wire format specification 1.x: longest varints, non-canonical ones, floats, bool, option, enum.
#[test]
fn postcard_other_rows() {
    assert_eq!(encoded(&u16::MAX).len(), 3);
    assert_eq!(encoded(&u32::MAX).len(), 5);
    assert_eq!(encoded(&u64::MAX).len(), 10);
    assert_eq!(encoded(&i64::MIN).len(), 10);

    assert_eq!(postcard::from_bytes::<u16>(&[0x80, 0x00]), Ok(0));
    assert_eq!(postcard::from_bytes::<u16>(&[0x80, 0x80, 0x00]), Ok(0));
    for refused in [
        &[0x80, 0x80, 0x80, 0x00][..],
        &[0xff, 0xff, 0x07],
        &[0xff, 0xff, 0x83, 0x00],
    ] {
        assert!(
            postcard::from_bytes::<u16>(refused).is_err(),
            "{refused:02x?}"
        );
    }

    assert_eq!(encoded(&-32.005_86_f32), [0x00, 0x06, 0x00, 0xc2]);
    assert_eq!(encoded(&true), [0x01]);
    assert!(postcard::from_bytes::<bool>(&[0x02]).is_err());
    assert_eq!(encoded(&None::<u16>), [0x00]);
    assert_eq!(encoded(&Some(128_u16)), [0x01, 0x80, 0x01]);
    assert_eq!(encoded(&Err::<(), u16>(128)), [0x01, 0x80, 0x01]);
}

fn encoded(value: &impl serde::Serialize) -> Vec<u8> {
    let mut room = [0; 64];
    postcard::to_slice(value, &mut room).unwrap().to_vec()
}

/// The number of a calibration, by CRC-32C bit by bit in Python over `struct.pack` of its values (little-endian, in their order);
/// the same Python gives the catalogue's check value E3069283 for "123456789".
#[test]
fn the_number_of_a_calibration_is_a_check_sum_over_its_values() {
    use ohmward_proto::Calibration;
    let design = Calibration::REFERENCE;
    assert_eq!(design.number(), 0x1873_e80f);
    // Whatever number it bears; and another value is another number.
    let mut other = Calibration { id: 7, ..design };
    assert_eq!(other.number(), design.number());
    other.bridge.g_permanent.0 *= 1.000_001;
    assert_ne!(other.number(), design.number());
}
