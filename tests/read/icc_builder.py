"""Small ICC profiles made byte by byte after ICC.1:2022, for tests: any curve, grey or RGB."""

from __future__ import annotations

import struct
from collections.abc import Sequence


def _s15(value: float) -> bytes:
    return struct.pack(">i", round(value * 65536))


def gamma_curve(gamma: float) -> bytes:
    """curveType (10.6) with one value, u8Fixed8."""
    return b"curv" + bytes(4) + struct.pack(">IH", 1, round(gamma * 256))


def table_curve(values: Sequence[int]) -> bytes:
    """curveType (10.6) with samples; none is the identity."""
    return b"curv" + bytes(4) + struct.pack(f">I{len(values)}H", len(values), *values)


def parametric_curve(kind: int, *numbers: float) -> bytes:
    """parametricCurveType (10.18)."""
    head = b"para" + bytes(4) + struct.pack(">HH", kind, 0)
    return head + b"".join(_s15(number) for number in numbers)


def _xyz(*values: float) -> bytes:
    return b"XYZ " + bytes(4) + b"".join(_s15(value) for value in values)


def _description(text: str) -> bytes:
    ascii_text = text.encode() + b"\0"
    return b"desc" + bytes(4) + struct.pack(">I", len(ascii_text)) + ascii_text + bytes(78)


def _profile(space: bytes, pcs: bytes, tags: dict[bytes, bytes]) -> bytes:
    tags = {b"desc": _description("Bench scanner"), b"wtpt": _xyz(0.9642, 1, 0.8249), **tags}
    table, body = b"", b""
    start = 128 + 4 + 12 * len(tags)
    for name, data in tags.items():
        table += struct.pack(">4sII", name, start + len(body), len(data))
        body += data + bytes(-len(data) % 4)
    head = struct.pack(
        ">I4sI4s4s4s6H4s24sI",
        start + len(body),
        bytes(4),
        0x02400000,
        b"mntr",
        space,
        pcs,
        *(2026, 1, 1, 0, 0, 0),
        b"acsp",
        bytes(24),
        1,
    )
    white = _s15(0.9642) + _s15(1) + _s15(0.8249)
    return (head + white).ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + body


def grey_profile(curve: bytes, pcs: bytes = b"XYZ ") -> bytes:
    """Monochrome profile (annex F.2)."""
    return _profile(b"GRAY", pcs, {b"kTRC": curve})


def rgb_profile(red: bytes, green: bytes, blue: bytes) -> bytes:
    """Matrix profile (annex F.3), sRGB's primaries adapted to D50."""
    columns = {
        b"rXYZ": _xyz(0.4361, 0.2225, 0.0139),
        b"gXYZ": _xyz(0.3851, 0.7169, 0.0971),
        b"bXYZ": _xyz(0.1431, 0.0606, 0.7141),
    }
    curves = {b"rTRC": red, b"gTRC": green, b"bTRC": blue}
    return _profile(b"RGB ", b"XYZ ", columns | curves)


def table_only_profile() -> bytes:
    """A profile with a colour table and no tone curves."""
    return _profile(b"RGB ", b"Lab ", {b"A2B0": b"mft2" + bytes(60)})
