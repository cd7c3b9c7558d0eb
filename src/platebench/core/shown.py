"""What a file says, as it can stand in a message: on one line, short, no orders to a terminal."""

from __future__ import annotations

LONGEST = 300  # characters of one name or value
LONGEST_PART = 1000  # of a path, or of half a sentence with a list in it


def shown(text: object, longest: int = LONGEST) -> str:
    r"""Return a text for one line: what cannot be printed is escaped, a long one loses its middle.

    Parameters
    ----------
    text : object
        As ``str`` gives it; a file may make it as long as the file is.
    longest : int
        Characters that are kept, before escaping.

    Examples
    --------
    >>> print(shown("two\nlines"))
    two\nlines
    >>> shown("0123456789" * 5, 15)
    '0123456789...(35 more characters)...56789'
    """
    whole = str(text)
    if len(whole) > longest:
        head, tail = longest - longest // 3, longest // 3
        gap = f"...({len(whole) - longest} more characters)..."
        whole = whole[:head] + gap + whole[-tail:]
    return "".join(
        char if char.isprintable() else char.encode("unicode_escape").decode() for char in whole
    )
