//! SAE J1939 identifiers: priority, parameter group, destination, source.
//!
//! Pure. Field layout and PDU1/PDU2 rule: SAE J1939-21, as in the Linux kernel's `Documentation/networking/j1939.rst`.

use crate::frame::CanId;

/// Priority of parameter groups for which nothing else is said.
pub const PRIORITY: u32 = 6;

/// Fields of a 29-bit identifier.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fields {
    /// 0 the most urgent, to 7.
    pub priority: u32,
    /// Parameter group number; its light byte is 0 for PDU1 groups.
    pub pgn: u32,
    /// Destination address; 0xFF, everybody, for PDU2 groups.
    pub destination: u8,
    /// Source address.
    pub source: u8,
}

/// Takes an identifier apart.
#[inline]
pub const fn fields(id: CanId) -> Fields {
    let bits = id.bits();
    let format = bits >> 16 & 0xFF;
    let specific = bits >> 8 & 0xFF;
    let page = bits >> 8 & 0x3_0000;
    let (pgn, destination) =
        if format < 240 { (page | format << 8, specific as u8) } else { (page | format << 8 | specific, 0xFF) };
    Fields { priority: bits >> 26, pgn, destination, source: bits as u8 }
}

/// An identifier for everybody: of a PDU1 group, its destination is 0xFF.
pub const fn identifier(priority: u32, pgn: u32, source: u8) -> CanId {
    let specific = if (pgn >> 8 & 0xFF) < 240 { 0xFF00 } else { 0 };
    CanId::extended((priority & 7) << 26 | (pgn & 0x3_FFFF) << 8 | specific | source as u32)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rows 1, 8, 9, 10 and 11 of the identifier table are computed from the kernel's rule; 1 to 3 also stand in the
    /// tests of a general packet library.
    #[test]
    fn identifiers_come_apart_by_the_pdu_rule() {
        let rows: [(u32, u32, u32, u8, u8); 9] = [
            (0x18FECA00, 6, 65226, 0xFF, 0x00),
            (0x0CEC000B, 3, 60416, 0x00, 0x0B),
            (0x18EA00FF, 6, 59904, 0x00, 0xFF),
            (0x18FEF100, 6, 65265, 0xFF, 0x00),
            (0x1CEBFF27, 7, 60160, 0xFF, 0x27),
            (0x18EF1234, 6, 61184, 0x12, 0x34),
            (0x0CF00400, 3, 61444, 0xFF, 0x00),
            (0x19FECA00, 6, 130762, 0xFF, 0x00),
            (0x1FFFFFFF, 7, 0x3FFFF, 0xFF, 0xFF),
        ];
        for (id, priority, pgn, destination, source) in rows {
            let got = fields(CanId::extended(id));
            assert_eq!(got, Fields { priority, pgn, destination, source }, "{id:08X}");
            if destination == 0xFF {
                assert_eq!(identifier(priority, pgn, source).bits(), id);
            }
        }
    }
}
