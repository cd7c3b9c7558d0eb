"""What a picture to share says of itself: title and date; where it was taken only if asked."""

from __future__ import annotations

from platebench import __version__
from platebench.outputs.xmp_rdf import add_text, add_words, new_packet, packet_bytes
from platebench.plate_log.dates import plate_date
from platebench.plate_log.entry import LogEntry


def share_packet(entry: LogEntry, *, place: bool) -> bytes:
    """Return an XMP packet of the few things that strangers may know.

    Parameters
    ----------
    entry : LogEntry
        What the plate log says.
    place : bool
        Whether the place goes in.
    """
    root, about = new_packet()
    add_text(about, "dc:identifier", entry.plate_id)
    add_words(about, "dc:title", entry.title or entry.plate_id)
    add_text(about, "photoshop:DateCreated", plate_date(entry.date).exact if entry.date else "")
    add_text(about, "xmp:CreatorTool", f"platebench {__version__}")
    if place:
        add_text(about, "Iptc4xmpCore:Location", entry.place)
    return packet_bytes(root)
