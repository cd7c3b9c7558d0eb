"""What can hurt in the darkroom: short cautions, with official limits where a source was read.

They are reminders, not instructions: the safety data sheet of each chemical and the local rules
come first. What is said without a source is from memory, and says so.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

FIRST = (
    "These are reminders. Read the safety data sheet of each chemical, and follow your local "
    "rules for work and waste: both come before anything said here."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """One hazard.

    Attributes
    ----------
    hazard : str
        Its name, as process profiles list it.
    text : str
        What can happen and what to do.
    limit : str
        Official limit, "" where none was read.
    source : str
        Where the limit was read.
    """

    hazard: str
    text: str
    limit: str = ""
    source: str = ""

    def lines(self) -> tuple[str, ...]:
        """Return the caution as sentences, the limit with its source."""
        first = f"{self.hazard[0].upper()}{self.hazard[1:]}: {self.text}"
        return (first, f"Limit, {self.limit} ({self.source}).") if self.limit else (first,)


_ALL = (
    Caution(
        hazard="glass",
        text="Edges of glass plates cut. Wear cut-resistant gloves and eye protection, hold a "
        "plate by two edges, set it down where it cannot slide, and do not stack plates or press "
        "a cracked one in a printing frame (from memory, museum practice).",
    ),
    Caution(
        hazard="silver nitrate",
        text="Oxidises, burns eyes and stains skin (from memory). Wear goggles and gloves. "
        "Ammonia and silver may form compounds that explode when dry: never keep the mixture "
        "(ICSC 0810, https://www.cdc.gov/niosh/ipcsneng/neng0810.html, read in a copy).",
        limit="silver in air (metal dust and soluble compounds as Ag): OSHA PEL 0.01 mg/m³, "
        "NIOSH REL 0.01 mg/m³",
        source="https://www.osha.gov/dts/chemicalsampling/data/CH_267300.html",
    ),
    Caution(
        hazard="dichromate",
        text="Dichromates are chromium(VI): they cause cancer, sensitise the skin for good, and "
        "do not belong in a drain; in some countries they need an authorisation (from memory). "
        "Raise no dust, wear gloves.",
        limit="chromium(VI) in air: OSHA PEL 0.005 mg/m³",
        source="table 7 of https://pmc.ncbi.nlm.nih.gov/articles/PMC7490536",
    ),
    Caution(
        hazard="ferricyanide",
        text="Strong acid, heat or strong ultraviolet can set free hydrogen cyanide (HCN), a "
        "deadly gas (from memory). Keep ferricyanide and every strong acid apart, at work and in "
        "the waste.",
    ),
    Caution(
        hazard="oxalate",
        text="Oxalates and oxalic acid are poisonous, through the skin too (from memory). Wear "
        "gloves, raise no dust.",
    ),
    Caution(
        hazard="platinum salts",
        text="Soluble salts of platinum, and to a lesser degree of palladium, can make you "
        "allergic for good: asthma, rash (from memory). Raise no dust, wear gloves. OSHA PEL for "
        "soluble platinum salts 0.002 mg/m³ as Pt (from memory).",
    ),
    Caution(
        hazard="ultraviolet",
        text="Printing lamps and the sun burn eyes and skin without being felt. Close the lamp "
        "in, switch it off before opening, never look into it.",
        limit="ultraviolet: effective radiant exposure, weighted by S(λ), 180 to 400 nm: at most "
        "30 J/m² in 8 hours",
        source="ICNIRP 2004, Health Physics 87:171-186; "
        "https://orm.uottawa.ca/my-safety/em-radiation/uv/exposure-limits",
    ),
    Caution(
        hazard="developer",
        text="Developing agents sensitise the skin and many developers are strongly alkaline "
        "(from memory). Wear gloves and goggles, use tongs, air the room.",
    ),
    Caution(
        hazard="fixer",
        text="Thiosulfate with acid gives off sulfur dioxide (from memory). Air the room. Used "
        "fixer holds silver: collect it, not into the drain unless your local rules allow.",
    ),
)
CAUTIONS = {caution.hazard: caution for caution in _ALL}


def cautions_for(hazards: Iterable[str]) -> tuple[Caution, ...]:
    """Return the caution of each hazard once, in a fixed order.

    Examples
    --------
    >>> [caution.hazard for caution in cautions_for(["fixer", "glass", "fixer"])]
    ['glass', 'fixer']
    """
    wanted = set(hazards)
    return tuple(caution for caution in _ALL if caution.hazard in wanted)
