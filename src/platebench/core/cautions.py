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
    stricter : str
        A stricter limit that no source could be read for; "" where none is known.
    """

    hazard: str
    text: str
    limit: str = ""
    source: str = ""
    stricter: str = ""

    def lines(self) -> tuple[str, ...]:
        """Return the caution as sentences: what to do, the limit to keep to, that with a source."""
        first = f"{self.hazard[0].upper()}{self.hazard[1:]}: {self.text}"
        stricter = (f"Keep to the stricter limit, {self.stricter}.",) if self.stricter else ()
        limit = (f"Limit, {self.limit} ({self.source}).",) if self.limit else ()
        return (first, *stricter, *limit)


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
        stricter="chromium(VI) in air: NIOSH REL 0.0002 mg/m³ (from memory), 25 times below the "
        "OSHA PEL; agencies differ that much",
        limit="chromium(VI) in air: OSHA PEL 0.005 mg/m³, NIOSH as quoted there 0.001 mg/m³",
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
        "in, switch it off before opening, never look into it. Wear UV-blocking eyewear, marked "
        "for ultraviolet and closed at the sides, wherever some can get out; your own glasses "
        "may pass 365 nm (from memory).",
        stricter="ultraviolet A (315 to 400 nm) at the eye, unweighted: 10,000 J/m² in 8 hours "
        "(from memory). At 365 nm, the usual lamp, S(λ) is 0.00011 (from memory), so the weighted "
        "limit would allow about 27 times as much",
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
        hazard="stop bath",
        text="Strong acetic acid burns skin and eyes, and its vapour the lungs (from memory). "
        "Pour acid into water, never water into acid, wear gloves and goggles, air the room, and "
        "rinse before the fixer: acid in it gives off sulfur dioxide.",
    ),
    Caution(
        hazard="reducer",
        text="Reducers are oxidisers, and poisonous: permanganate or persulfate with sulfuric "
        "acid, ferricyanide with thiosulfate; some old recipes hold cyanide, which kills: do not "
        "use those (from memory). Add acid to water, never acid to ferricyanide; wear gloves and "
        "goggles, air the room, mix fresh, keep no closed bottle of it.",
    ),
    Caution(
        hazard="intensifier",
        text="Intensifiers hold poisons that go through the skin and stay in the body or the "
        "water: mercury, chromium(VI), lead, uranium, selenium (from memory). Do not use mercury "
        "or uranium; wear gloves and goggles, air the room, keep all of the waste. Dichromate "
        "with hydrochloric acid can set free chlorine (from memory); plates that were intensified "
        "long ago may hold mercury: wear gloves.",
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
