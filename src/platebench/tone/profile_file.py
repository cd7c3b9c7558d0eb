"""Tone profiles as TOML files."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from platebench.core.errors import BadSettingError, MissingProfileError
from platebench.tone.paper import PaperCurve
from platebench.tone.profile import Lab, ToneProfile

# Lowest value, highest value, and what stands for a key left out (None: it must be there).
_NUMBERS: dict[str, tuple[float, float, float | None]] = {
    "paper.white": (0.0, 0.5, None),
    "paper.black": (0.8, 4.0, None),
    "paper.toe": (0.01, 100.0, None),
    "paper.straight": (0.0, 100.0, None),
    "paper.shoulder": (0.01, 100.0, None),
    "print.hardest": (0.1, 2.0, 0.2),
    "aims.shadow": (1.0, 127.0, 10.0),
    "aims.highlight": (128.0, 254.0, 245.0),
}
# Allowed words; the first stands for a key left out.
_WORDS = {
    "print.exposed_for": ("middle", "shadows", "highlights"),
    "print.shown": ("full", "paper"),
}
_GRADE = (20.0, 300.0)  # ISO range R: harder and softer than any grade of ANSI PH2.2
_HUES = ("hue.paper", "hue.image")
_LAB = ((0.0, 100.0), (-60.0, 60.0), (-60.0, 60.0))  # L*, a*, b*: beyond any paper
_KEYS = {"description", "print.grade", *_NUMBERS, *_WORDS, *_HUES}
_PAPER = tuple(key for key in PaperCurve.__slots__ if key != "middle")
_TABLES = {key.split(".")[0] for key in (*_NUMBERS, *_HUES)}


def load_tone(name: str, folders: Sequence[Path]) -> ToneProfile:
    """Read the tone profile ``name.toml`` from the first folder that has it.

    Parameters
    ----------
    name : str
        File name without ``.toml``; not a path.
    folders : sequence of Path
        Searched in order.

    Returns
    -------
    ToneProfile

    Raises
    ------
    MissingProfileError
        If no folder has it; says which ones there are.
    BadSettingError
        If the file cannot be read, has an unknown key, lacks one, or says nonsense.
    """
    if name in list_tones(folders):
        for folder in folders:
            path = folder / f"{name}.toml"
            if path.is_file():
                return _read(path)
    raise MissingProfileError("tone", name, tuple(folders), tuple(list_tones(folders)))


def list_tones(folders: Sequence[Path]) -> list[str]:
    """Return the names of the profiles in some folders, sorted; ``session.toml`` is not one."""
    names = {path.stem for folder in folders for path in folder.glob("*.toml")}
    return sorted(names - {"session"})


def tone_to_table(tone: ToneProfile) -> dict[str, Any]:
    """Return a profile as its file says it, everything spelled out; see ``tone_from_table``."""
    return {
        "description": tone.description,
        "paper": {key: getattr(tone.paper, key) for key in _PAPER},
        "print": {
            "grade": "fitted" if tone.grade is None else tone.grade,
            "hardest": tone.hardest,
            "exposed_for": tone.exposed_for,
            "shown": tone.shown,
        },
        "aims": {"shadow": tone.shadow_aim, "highlight": tone.highlight_aim},
        **({"hue": {"paper": list(tone.hue[0]), "image": list(tone.hue[1])}} if tone.hue else {}),
    }


def tone_from_table(tables: Mapping[str, Any], path: Path) -> ToneProfile:
    """Return the profile that parsed TOML, or JSON of the same shape, spells out.

    Parameters
    ----------
    path : Path
        Named in messages; its stem is the profile's name.

    Raises
    ------
    BadSettingError
        If it has an unknown key, lacks one, or says nonsense.
    """
    said = _flatten(tables, path)
    for key in said:
        if key not in _KEYS:
            known = ", ".join(sorted(_KEYS))
            raise BadSettingError(path, key, "is not a setting", f"the settings are {known}")
    number = {key: _number(path, said, key, *limits) for key, limits in _NUMBERS.items()}
    word = {key: _word(path, said, key, words) for key, words in _WORDS.items()}
    description = said.get("description", "")
    if not isinstance(description, str):
        raise BadSettingError(path, "description", "is not text", "put it in quotes")
    return ToneProfile(
        name=path.stem,
        description=description,
        paper=PaperCurve(**{key: number[f"paper.{key}"] for key in _PAPER}),
        grade=_grade(path, said),
        hardest=number["print.hardest"],
        exposed_for=word["print.exposed_for"],
        shown=word["print.shown"],
        shadow_aim=number["aims.shadow"],
        highlight_aim=number["aims.highlight"],
        hue=_hue(path, said),
    )


def _read(path: Path) -> ToneProfile:
    try:
        tables = tomllib.loads(path.read_text("utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise BadSettingError(
            path, "the file", f"cannot be read ({error})", "mend it, or copy another profile"
        ) from error
    return tone_from_table(tables, path)


def _flatten(tables: Mapping[str, Any], path: Path) -> dict[str, Any]:
    """Return a file's values by dotted key."""
    flat: dict[str, Any] = {}
    for name, value in tables.items():
        if isinstance(value, dict):
            flat |= {f"{name}.{key}": part for key, part in value.items()}
        elif name in _TABLES:
            raise BadSettingError(path, name, "is not a table", f"write [{name}] on its own line")
        else:
            flat[name] = value
    return flat


def _number(
    path: Path, said: dict[str, Any], key: str, low: float, high: float, default: float | None
) -> float:
    value = said.get(key, default)
    remedy = f"write a number from {low:g} to {high:g}"
    if value is None:
        raise BadSettingError(path, key, "is missing", remedy)
    if not _is_number(value) or not low <= value <= high:
        raise BadSettingError(path, key, f"cannot be {value!r}", remedy)
    return float(value)


def _word(path: Path, said: dict[str, Any], key: str, words: tuple[str, ...]) -> Any:
    value = said.get(key, words[0])
    if value not in words:
        choices = ", ".join(f'"{word}"' for word in words)
        raise BadSettingError(path, key, f"cannot be {value!r}", f"write one of {choices}")
    return value


def _hue(path: Path, said: dict[str, Any]) -> tuple[Lab, Lab] | None:
    """Return the colours of paper and image; None where the file gives neither."""
    if not any(key in said for key in _HUES):
        return None
    paper, image = (_lab(path, said, key) for key in _HUES)
    if paper[0] <= image[0]:
        remedy = "give the lighter paper and the darker image"
        raise BadSettingError(path, "hue.paper", "is no lighter than the image", remedy)
    return paper, image


def _lab(path: Path, said: dict[str, Any], key: str) -> Lab:
    value = said.get(key)
    remedy = "write [L, a, b] as measured, such as [94.0, 0.5, 5.0]"
    if value is None:
        raise BadSettingError(path, key, "is missing", remedy)
    good = isinstance(value, list) and len(value) == 3 and all(map(_is_number, value))
    if not good or not all(
        low <= part <= high for part, (low, high) in zip(value, _LAB, strict=True)
    ):
        raise BadSettingError(path, key, f"cannot be {value!r}", remedy)
    return float(value[0]), float(value[1]), float(value[2])


def _grade(path: Path, said: dict[str, Any]) -> float | None:
    value = said.get("print.grade", "fitted")
    if value == "fitted":
        return None
    low, high = _GRADE
    if not _is_number(value) or not low <= value <= high:
        raise BadSettingError(
            path,
            "print.grade",
            f"cannot be {value!r}",
            f'write "fitted" or an ISO range from {low:g} to {high:g}',
        )
    return float(value)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
