"""How many bits the 16-bit scans of a session really have, where the files do not say.

A dark scan of 16 bits and a bright one of 12 in 16 cannot be told apart by themselves: neither has
a value above 4095. A session can: its brightest file, mostly the bare light, uses all there is.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from platebench.core.settings import ScanBits
from platebench.read.scan_header import FULL_BITS
from platebench.session.capture_look import CaptureLook


def session_bits(looks: Sequence[CaptureLook]) -> ScanBits:
    """Return the bits that hold every value of a session's 16-bit scans; 0 where none is in doubt.

    Returns
    -------
    {0, 8, 10, 12, 14, 16}
        16 where one file needs all of them and others do not.
    """
    found = [look.info.least_bits for look in looks if look.info.least_bits is not None]
    return max(found) if found and min(found) < FULL_BITS else 0


def looked_at_with_bits(
    looks: Sequence[CaptureLook],
    bits: ScanBits,
    look_again: Callable[[list[CaptureLook]], list[CaptureLook]],
) -> list[CaptureLook]:
    """Return the looks, those of scans in doubt taken again if ``bits`` are fewer than 16."""
    if not 0 < bits < FULL_BITS:
        return list(looks)
    doubtful = [look for look in looks if look.info.least_bits is not None]
    again = {look.name: look for look in look_again(doubtful)}
    return [again.get(look.name, look) for look in looks]
