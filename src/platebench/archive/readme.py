"""README.txt of a package: what it is, and how its numbers are read and its positives made again.

Written for somebody who has the files and nothing else. A test follows it with numpy alone.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from platebench.core.version import __version__
from platebench.master.cut import CODES_OF_LIGHT, FORMULA, GAMMA_FORMULA, NO_READING
from platebench.plate.calibration import LEAST_LIGHT
from platebench.plate.densities import TOP_TRANSMITTANCE
from platebench.plate.job import PlateJob
from platebench.tone.profile import DENSEST_T

README = "README.txt"  # below data/

_FILES = (  # what a name in data/ begins with, and what it is
    (README, "this text"),
    ("captures/", "the camera raws or scans, blank and dark frames"),
    (
        "masters/",
        "NAME.tif: archive master, linear transmittance; NAME.jpg: a small\npicture of it",
    ),
    ("masters/gamma/", "NAME.tif: the master in a 2.2 power law, see section 2"),
    (
        "masters/channels/",
        "NAME-red.tif, -green, -blue: the channels of the master in colours,\neach by itself",
    ),
    ("positives/", "NAME.tif: the positive, as a print of the plate would look"),
    ("previews/", "NAME.jpg: the positive, small"),
    ("pictures/", "the same two of each of several pictures on a plate"),
    ("plates/", "NAME.json: what was measured, settings, versions, dates"),
    ("workings/", "NAME.json: the numbers that section 4 needs"),
    ("recipe.json", "digests of all inputs and pictures, every setting, versions"),
    ("report.json", "what was measured, of all plates together"),
    ("events.json", "what was done to the masters, step by step"),
    ("premis.xml", "objects, events and agents in PREMIS 3"),
    ("session.toml", "the settings as a person wrote them"),
    ("plates.csv", "what is known of the plates, as a person wrote it"),
    ("developing.csv", "how plates were developed, as a person wrote it"),
    ("calibration.json", "readings of a step tablet of known densities"),
    ("proof-sheet", "a contact sheet of the positives"),
    ("report.pdf", "the report, to read"),
)


def readme_text(name: str, title: str, jobs: Sequence[PlateJob], files: Collection[str]) -> str:
    """Return README.txt.

    Parameters
    ----------
    name : str
        Of the package.
    title : str
        Of the session.
    jobs : sequence of PlateJob
    files : collection of str
        Paths below ``data/``.
    """
    there = {README, *files}
    listed = [
        f"  {start:<18}{said.replace(chr(10), chr(10) + ' ' * 20)}"
        for start, said in _FILES
        if any(path.startswith(start) for path in there)
    ]
    plates = [f"  {job.plate_id:<18}{_line(_said(job))}".rstrip() for job in jobs]
    masters = any(path.startswith("masters/") for path in there)
    captures = any(path.startswith("captures/") for path in there)
    return _TEXT.format(
        name=_line(name),
        title=f"\n{_line(title)}\n" if title else "",
        program=f"platebench {__version__}",
        plates="\n".join(plates),
        files="\n".join(listed),
        masters=_MASTERS if masters else _NO_MASTERS,
        captures=_CAPTURES if captures else _NO_CAPTURES,
        top=f"{TOP_TRANSMITTANCE:g}",
        least=f"{LEAST_LIGHT:.5f}",
        densest=f"{DENSEST_T:.9f}",
    )


def _said(job: PlateJob) -> str:
    entry = job.entry
    return "" if entry is None else ", ".join(filter(None, (entry.title, entry.place, entry.date)))


def _line(text: str) -> str:
    """Return text on one line, nothing in it that moves a terminal's cursor."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


_D1, _D2, _D3 = (CODES_OF_LIGHT // 10**density for density in (1, 2, 3))
_MASTERS = f"""A file in masters/ holds 16-bit numbers, one for each point of the plate. The
optical density of a point (the negative logarithm of the share of light that
passes) is

    {FORMULA}

{CODES_OF_LIGHT} is the bare light box, density 0; {_D1} is density 1, {_D2} is 2, {_D3} is 3.
0: no light was measured. {NO_READING}: no reading (the sensor was saturated, or it
was brighter than the light box). The file says so itself, in tag 270. Of a
master in colours the formula holds for each channel. Average numbers first,
then take the logarithm. Masters are neither inverted nor retouched nor turned.
Files in masters/channels/ hold the same numbers. Those in masters/gamma/, where
there are any, are coded for display: {GAMMA_FORMULA}, and the bare
light box and all that is brighter is {NO_READING}.

A file in positives/ or pictures/ holds tones for the eye, not densities. Its
densities come from the masters, or from the captures: D of step 5 below."""

_NO_MASTERS = """A file in positives/ or pictures/ holds tones for the eye, not densities, and
this package has no masters. Densities come from the captures by the steps
below: the optical density is D of step 5."""

_CAPTURES = "They are in captures/, with their names of then."

_NO_CAPTURES = """They are not in this package; recipe.json lists their names and SHA-256 digests
under "inputs"."""

_TEXT = """{name}
{title}
Photographic plates on glass: pictures and measurements, packed by the program
{program}. Everything here can be read without that program.

Plates:

{plates}


1. WHAT IS HERE

This text lies in the folder data/ of a package after BagIt 1.0 (RFC 8493). The
folder above holds lists of all files with their SHA-256 and SHA-512 digests:
manifest-sha256.txt is checked with "sha256sum -c manifest-sha256.txt". Texts
are UTF-8. Pictures are TIFF 6.0, not compressed unless they say so; previews
JPEG; .json files JSON (RFC 8259).

{files}

NAME is the name of a plate, or of one of several pictures on it. Rows and
columns count from 0 at the top left.


2. FROM NUMBERS TO DENSITIES

{masters}


3. HOW A POSITIVE WAS MADE, IN WORDS

The plate lay on a light box and was photographed, or scanned. The counts were
divided by those of the bare light box, which gives transmittance. Light that
strayed in the lens (glare) and the colour of a stain were taken off where they
could be measured. The plate was cut out and straightened. Its densities were
then printed on a photographic paper that exists as a curve only, and the
paper's tones were written with gray gamma 2.2.


4. HOW A POSITIVE WAS MADE, IN FORMULAS

Needed: the plate's capture and workings/NAME.json. Names in "quotes" are keys
of that file; those of steps 1 and 2 are under "flatten", of step 4 under "cut",
of step 5 under "tone". What is null there was not done: leave it out.
{captures}

The program calculates in 32-bit floating point up to step 3 and rounds after
every operation. That matters only where a number lies near the middle between
two codes: the neighbouring code is then as good. What one code is worth in the
positive is less than a step of 65,535 in thin parts and some 10 in the densest.
round() takes the nearest whole number, the even one of two equally near.

Fields of place. A field is a list of grids: one for each kind of site. Kinds: a
raw has values through colour filters side by side; the kind of the site in row
r, column c is "sites"[r mod m][c mod n], with m x n the size of "sites". Of a
colour scan ("sites" is null) red, green and blue have kinds 0, 1, 2. The value
of a grid with A rows and B columns for place (r, c) of a capture of R rows and C
columns ("rows_columns_channels") is bilinear:

    a = (r + 0.5) * A / R - 0.5      i = floor(a), but 0 <= i <= A - 2
    b = (c + 0.5) * B / C - 0.5      j = floor(b), but 0 <= j <= B - 2
    u = a - i,  v = b - j            (beyond 0 to 1 at the borders, as it is)
    g(i)   = grid[i][j]   * (1 - v) + grid[i][j+1]   * v
    g(i+1) = grid[i+1][j] * (1 - v) + grid[i+1][j+1] * v
    value  = g(i) * (1 - u) + g(i+1) * u

a, b, i and j are calculated in 64 bits, u and v then rounded to 32. In the last
line the product g(i) * (1 - u) is not rounded before the sum is (a fused
multiply-add). With a single row or column of the grid, its value is taken as it
is.

Step 1, counts. A maker's own raw format needs a decoder that gives the sensor's
values untouched. n is the value of the file at row r, column c. Of a raw: of the
sensor's visible area, as stored, no colour balance, nothing else done. Of a
scan: turned as its orientation tag says; 8-bit values times 257; where white is
stored as zero, 65535 - n. Where a scan uses k bits of its 16 (session.toml
or the file says so), it is round(n * 65535 / (2^k - 1)).

    x = "curve"[n]                   (where "curve" is null, x = n)

Step 2, transmittance. "black" is a table like "sites", or one value for red,
green and blue each. Its value for the site is taken off, then it is multiplied
by the field "gain": the reciprocal of the bare light there, times the ratio of
exposure times.

    T = (x - black) * gain

"drift", how the light has changed since it was measured:

    T = T * exp(-across * ((c + 0.5) / C - 0.5)) * exp(-down * ((r + 0.5) / R - 0.5))

"glare", with its fields "gain" and "offset". All rows of a group of
"rows_together" = e share their value: in the formulas of fields, in place of
(r + 0.5), take (floor(r / e) + 0.5) * e, and in place of the last line
value = g(i) + u * (g(i+1) - g(i)).

    T = T * gain + offset

"stain", with the field "gain" and an exponent for each kind of site; the power
only where T * gain > 0.000001, else T * gain is left:

    T = (T * gain) ^ exponent

Step 3, one value for each place, L. "one_value" says how:

    "as it is"          L = T
    "mean"              L = (T of red + T of green + T of blue) / 3
    "green"             L = T of green
    "green of mosaic"   P = max(T, 0.0001); G(p) is p blurred by a Gaussian of
                        standard deviation 0.6 * max(m, n) sites, out to four of
                        them; k is 1 at the sites of one colour, 0 elsewhere.
                        low = G(P k) / G(k); L = low of green * P / low of the
                        site's own colour

It is coded in 16 bits by its square root, in steps of 1 from 0 to 65535:

    q = round(sqrt(L) * k)  with  k = 65535 / sqrt({top})      (0 for L < 0)

Step 4, the cut. The result has "rows_columns" rows and columns. Its point in
row y, column x is taken from the capture's column X / Z, row Y / Z with

    (X, Y, Z) = "matrix" * (x, y, 1)

If "nearest" is true, that place is a whole site: take its code. Else, with i the
whole part (floor) and t the rest of the row, j and s those of the column, the
codes of the 4 x 4 sites around, rows i-1 to i+2 and columns j-1 to j+2, are
added up, each times w of its row and w of its column. For rows

    w(-1) = ((-0.75 * (t + 1) + 3.75) * (t + 1) - 6) * (t + 1) + 3
    w(0)  = (1.25 * t - 2.25) * t * t + 1
    w(1)  = (1.25 * (1 - t) - 2.25) * (1 - t) * (1 - t) + 1
    w(2)  = 1 - w(-1) - w(0) - w(1)

and the same for columns, with s. Sites beyond the border count as the nearest
one. The sum is rounded to a whole number from 0 to 65535: again a code q. The
program's own places and sums are of 32 bits; it gives the neighbouring code at
one to eight points in a hundred, the more the larger the capture, and at sharp
edges a code a few steps off.

Step 5, the tone of each code. If "tone" is null, the capture was a scan of a
positive already; light = {top} * (q / 65535)^2, cut off to 0 to 1, and

    value = round(65535 * light ^ (1 / 2.2))

Else, with "level" the change of the light from its measuring to the capture,

    L = {top} * (q / 65535)^2 / level

"calibration" turns densities as the camera sees them into diffuse ones. With
S(d) the natural cubic spline through ("nodes", "residuals"), constant beyond
its ends:

    d = -log10(max(L, {least})) / callier
    D = d + S(d)

Without it, D = -log10(max(L, {densest})).

The paper receives the logarithmic exposure E = "exposure" - D and darkens. Its
density is white + (black - white) * y, with the y between 0 and 1 that solves

    E = middle + straight * (y - 1/2) + toe * ln(2 y) - shoulder * ln(2 (1 - y))

(the right side rises with y: halve the interval until it fits; y may come as
near to 0 or 1 as 0.00000000004). The light that the print reflects, and its tone:

    F = 10 ^ -(white + (black - white) * y)
    if "shown" is "full":  F = (F - 10^-black) / (10^-white - 10^-black), 0 to 1
    value = round(65535 * F ^ (1 / 2.2))

"base_fog" and "d_max" are the densities that the grade and the exposure of the
paper were chosen for; "print_stops" and "print_contrast" are a person's wishes,
and have gone into the numbers above.

Step 6, the turn. The picture is turned clockwise by "rotate" degrees. Where the
emulsion faced the camera, "matrix" has turned it left for right already. If
"box" gives four numbers, left, top, right, bottom, only rows top to bottom - 1
and columns left to right - 1 of the turned picture are kept.

Where "flatten" is null, the plate was put together from several captures
("captures": exposures of one framing, or parts of the plate) that were brought
to coincide and averaged. No short formula repeats that. Steps 4 to 6 hold all
the same, for L, the transmittance of the joined picture.


5. WHAT THESE FIGURES ARE NOT

Errors of densities stand in plates/NAME.json. Tones are a choice, not a
measurement. No conformance with any standard is claimed.
"""
