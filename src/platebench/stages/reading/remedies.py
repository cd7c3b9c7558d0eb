"""What to do about a capture that cannot be read: sentences more than one reader says."""

from typing import Final

COPY_AGAIN: Final = "copy it from the card or the archive again"
AS_TIFF: Final = "save it as a TIFF of 8 or 16 bits, grey or RGB"
TO_DNG: Final = "convert it to DNG with the camera maker's program"
FREE_MEMORY: Final = "close other programs, or use --jobs 1"
