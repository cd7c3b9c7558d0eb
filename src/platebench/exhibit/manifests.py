"""IIIF Presentation 3.0 manifests of plates, and the collection that lists them.

References
----------
IIIF Presentation API 3.0 (what ``rights`` may hold: 3.2), by the library ``iiif-prezi3``, which
checks what it is given.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import iiif_prezi3 as iiif

from platebench.exhibit.deep_picture import DeepPicture
from platebench.exhibit.gather import ShownPlate

_RIGHTS = re.compile(r"https?://((?:creativecommons|rightsstatements)\.org/\S+)")


def manifest_of(
    plate: ShownPlate, picture: DeepPicture, facts: Sequence[tuple[str, str]], address: str
) -> str:
    """Return a plate's manifest as JSON.

    Parameters
    ----------
    plate : ShownPlate
    picture : DeepPicture
    facts : sequence of (str, str)
        Names and values, as the page shows them.
    address : str
        Where the exhibit will lie, ending in a slash.
    """
    here = f"{address}plates/{plate.slug}"
    manifest = iiif.Manifest(id=f"{here}/manifest.json", label=_words(plate.title))
    manifest.metadata = [
        iiif.KeyValueString(label=_words(name), value=_words(value)) for name, value in facts
    ]
    if plate.entry.credit:
        manifest.requiredStatement = iiif.KeyValueString(
            label=_words("Credit"), value=_words(plate.entry.credit)
        )
    if statement := _RIGHTS.fullmatch(plate.entry.web_statement):
        manifest.rights = f"http://{statement[1]}"
    size = {"height": picture.height, "width": picture.width}
    canvas = manifest.make_canvas(id=f"{here}/canvas", label=_words(plate.title), **size)
    page = canvas.add_image(
        image_url=f"{here}/tiles/full/max/0/default.jpg",
        anno_page_id=f"{here}/page",
        anno_id=f"{here}/image",
        format="image/jpeg",
        **size,
    )
    service = iiif.ServiceV3(id=f"{here}/tiles", type="ImageService3", profile="level0")
    page.items[0].body.service = [service]
    return str(manifest.json(indent=1))


def collection_of(title: str, plates: Sequence[ShownPlate], address: str) -> str:
    """Return the collection of all plates' manifests as JSON."""
    collection = iiif.Collection(id=f"{address}collection.json", label=_words(title))
    for plate in plates:
        collection.add_item(
            iiif.ManifestRef(
                id=f"{address}plates/{plate.slug}/manifest.json",
                label=_words(plate.title),
            )
        )
    return str(collection.json(indent=1))


def _words(text: str) -> Mapping[str, list[str]]:
    return {"none": [text]}
