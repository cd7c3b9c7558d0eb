"""XMP in a capture is never parsed, so nothing hidden in it can harm."""

from __future__ import annotations

from pathlib import Path
from xml.parsers import expat

import numpy as np
import pytest
from PIL import Image

from platebench.read.capture import read_capture

# Entities within entities: a few hundred bytes that would grow to gigabytes if they were expanded.
BOMB = (
    '<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">'
    + "".join(
        f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefghi", "bcdefghij", strict=True)
    )
    + ']><x:xmpmeta xmlns:x="adobe:ns:meta/">&j;</x:xmpmeta>'
).encode()
OUTSIDE = (
    b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/hostname">]>'
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/">&a;</x:xmpmeta>'
)


@pytest.mark.parametrize("packet", [BOMB, OUTSIDE], ids=["bomb", "outside"])
@pytest.mark.parametrize("suffix", ["tif", "jpg", "png"])
def test_captures_with_hostile_xmp_are_read_without_parsing_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, packet: bytes, suffix: str
) -> None:
    rows, columns = np.indices((40, 60))
    picture = Image.fromarray((rows * 3 + columns).astype(np.uint8))
    path = tmp_path / f"scan.{suffix}"
    if suffix == "tif":
        picture.save(path, tiffinfo={700: packet})
    elif suffix == "jpg":
        picture.save(path, xmp=packet)
    else:
        from PIL.PngImagePlugin import PngInfo

        info = PngInfo()
        info.add_itxt("XML:com.adobe.xmp", packet.decode())
        picture.save(path, pnginfo=info)
    assert b"ENTITY" in path.read_bytes()

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("XML was parsed")

    monkeypatch.setattr(expat, "ParserCreate", refuse)
    frame = read_capture(path)
    assert frame.shape == (40, 60) and frame.info.path == path
