"""The pixels of a packed TIFF, apart from its file: an edited tag is not a damaged picture.

The digest of pixels is SHA-256 over the samples, row by row, 16 bits each, low byte first, as
``recipe.json`` lists it for every master and positive.

Where pictures differ, by how much is measured as well.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from platebench.archive.package_tree import read_small
from platebench.core.plain_json import read_json
from platebench.write.tiff import pixel_digest, read_pixels

_BAND_ROWS = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelDifference:
    """Statistics of the difference, second less first; codes from 0 to 65535.

    Attributes
    ----------
    same_size : bool
        False: the rest is zero, the pictures cannot be laid on each other.
    share : float
        Share of samples that differ, 0 to 1.
    largest : int
        Largest difference, either way.
    mean, rms : float
        Mean, and root of the mean square, over all samples.
    """

    same_size: bool
    share: float = 0.0
    largest: int = 0
    mean: float = 0.0
    rms: float = 0.0

    def __str__(self) -> str:
        if not self.same_size:
            return "the pictures differ in size"
        return (
            f"{self.share:.2%} of the samples differ, by at most {self.largest} of 65535; "
            f"mean {self.mean:+z.2f}, RMS {self.rms:.2f}"
        )

    def to_json(self) -> dict[str, Any]:
        """Return plain values."""
        return asdict(self)


def compare_pixels(first: Path, second: Path) -> PixelDifference | None:
    """Return how two 16-bit TIFFs differ; None if one cannot be read."""
    one, other = read_pixels(first), read_pixels(second)
    if one is None or other is None:
        return None
    if one.shape != other.shape:
        return PixelDifference(same_size=False)
    count = total = largest = 0
    squares = 0.0
    for top in range(0, len(one), _BAND_ROWS):
        band = slice(top, top + _BAND_ROWS)
        difference = other[band].astype(np.int32) - one[band]
        count += int(np.count_nonzero(difference))
        total += int(difference.sum(dtype=np.int64))
        squares += float(np.square(difference, dtype=np.float64).sum())
        largest = max(largest, int(np.abs(difference).max(initial=0)))
    samples = max(one.size, 1)
    return PixelDifference(
        same_size=True,
        share=count / samples,
        largest=largest,
        mean=total / samples,
        rms=float(np.sqrt(squares / samples)),
    )


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
