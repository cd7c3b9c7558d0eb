"""The pixels of a packed TIFF, apart from its file: an edited tag is not a damaged picture.

The digest of pixels is SHA-256 over the samples, row by row, 16 bits each, low byte first, as
``recipe.json`` lists it for every master and positive.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from platebench.archive.package_tree import read_small
from platebench.files.plain_json import read_json
from platebench.outputs.tiff_pixels import pixel_digest

RECIPE = "data/recipe.json"
LARGEST_RECIPE = 32 * 2**20  # bytes


def recipe_of(package: Path) -> dict[str, Any]:
    """Return a package's recipe, not yet checked; empty where there is none to be read."""
    return _document(read_small(package, RECIPE, LARGEST_RECIPE) or b"{}")


def _document(data: bytes) -> dict[str, Any]:
    try:
        document = read_json(data)
    except ValueError:
        return {}
    return document if isinstance(document, dict) else {}


def recipe_as_packed(package: Path, stated: Mapping[str, str]) -> dict[str, Any]:
    """Return a package's recipe if its bytes are those of the manifests; else empty.

    Parameters
    ----------
    stated : mapping of str to str
        Its digests, by algorithm.
    """
    data = read_small(package, RECIPE, LARGEST_RECIPE) or b""
    fits = stated and all(
        hashlib.new(algorithm, data, usedforsecurity=False).hexdigest() == digest
        for algorithm, digest in stated.items()
    )
    return _document(data) if fits else {}


def pixels_as_recorded(package: Path, path: str, recipe: Mapping[str, Any]) -> bool | None:
    """Tell whether a file's pixels are those of the recipe; None where nothing can be told.

    That is where the recipe lists none, or the file is no picture that opens any more.
    """
    outputs = recipe.get("outputs")
    facts = outputs.get(path.removeprefix("data/")) if isinstance(outputs, dict) else None
    said = facts.get("pixels") if isinstance(facts, dict) else None
    if not isinstance(said, dict):
        return None
    found = pixel_digest(package / path)
    return None if found is None else pixels_to_json(*found) == said


def pixels_to_json(sha256: str, shape: tuple[int, ...]) -> dict[str, Any]:
    """Return the digest and shape of pixels as a recipe lists them."""
    return {"sha256": sha256, "rows_columns": list(shape)}
