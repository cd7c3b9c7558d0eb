"""The pixels of a packed TIFF, apart from its file: an edited tag is not a damaged picture.

The digest of pixels is SHA-256 over the samples, row by row, 16 bits each, low byte first, as
``recipe.json`` lists it for every master and positive.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from platebench.archive.package_tree import read_small
from platebench.outputs.tiff_pixels import pixel_digest

RECIPE = "data/recipe.json"
LARGEST_RECIPE = 32 * 2**20  # bytes


def recipe_of(package: Path) -> dict[str, Any]:
    """Return a package's recipe, not yet checked; empty where there is none to be read."""
    data = read_small(package, RECIPE, LARGEST_RECIPE)
    try:
        document = json.loads(data or b"{}")
    except (ValueError, RecursionError):
        return {}
    return document if isinstance(document, dict) else {}


def pixels_as_recorded(package: Path, path: str) -> bool | None:
    """Tell whether a file's pixels are those of its recipe; None where the recipe lists none."""
    outputs = recipe_of(package).get("outputs")
    facts = outputs.get(path.removeprefix("data/")) if isinstance(outputs, dict) else None
    said = facts.get("pixels") if isinstance(facts, dict) else None
    if not isinstance(said, dict):
        return None
    found = pixel_digest(package / path)
    return found is not None and pixels_to_json(*found) == said


def pixels_to_json(sha256: str, shape: tuple[int, ...]) -> dict[str, Any]:
    """Return the digest and shape of pixels as a recipe lists them."""
    return {"sha256": sha256, "rows_columns": list(shape)}
