"""Whether a recording was cut short: containers say how long they are, and a broken copy is shorter."""

from pathlib import Path

_BOXES = frozenset({b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"styp", b"moof", b"sidx", b"pnot"})
_EBML, _SEGMENT = b"\x1a\x45\xdf\xa3", b"\x18\x53\x80\x67"
_MOST_BOXES = 200_000  # of a fragmented recording of some hours


def missing_bytes(path: Path) -> int:
    """Return how many bytes a recording's own lengths say are missing at its end; 0 where nothing says so.

    Notes
    -----
    ISO/IEC 14496-12, 4.2 (boxes of MP4, MOV, 3GP); RIFF (AVI); RFC 8794, 4 (EBML, of Matroska and WebM), whose
    length may be left open.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(12)
        if head[4:8] in _BOXES:
            return _missing_of_boxes(path, size)
        if head[:4] == b"RIFF":
            # Recordings over 1 GB go on in a second RIFF; the first then ends before the file does.
            return max(0, int.from_bytes(head[4:8], "little") + 8 - size)
        if head[:4] == _EBML:
            file.seek(4)
            length = _ebml_length(file.read(8))
            if length is None:
                return 0
            at = 4 + length[0] + length[1]
            file.seek(at)
            segment = file.read(12)
            found = _ebml_length(segment[4:]) if segment[:4] == _SEGMENT else None
            return 0 if found is None else max(0, at + 4 + found[0] + found[1] - size)
    return 0


def _missing_of_boxes(path: Path, size: int) -> int:
    at = 0
    with path.open("rb") as file:
        for _ in range(_MOST_BOXES):
            if at + 8 > size:
                break
            file.seek(at)
            head = file.read(16)
            length = int.from_bytes(head[:4], "big")
            if length == 1:  # a 64-bit length follows
                length = int.from_bytes(head[8:16], "big")
            if length == 0:  # up to the end, whatever that is
                return 0
            if length < 8:
                return 0  # no box: something else is wrong, and decoding will say what
            at += length
    return max(0, at - size)


def _ebml_length(raw: bytes) -> tuple[int, int] | None:
    """Octets of a length and its value; None where it is left open or none."""
    if not raw or not raw[0]:
        return None
    octets = 9 - raw[0].bit_length()
    if len(raw) < octets:
        return None
    value = int.from_bytes(raw[:octets], "big") & ((1 << 7 * octets) - 1)
    return None if value == (1 << 7 * octets) - 1 else (octets, value)
