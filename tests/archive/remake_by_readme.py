"""Positives of a package made again by its README.txt alone: numpy, tifffile and json.

Written from that text, step by step; nothing of the program is imported here. Runs by itself too:
``python remake_by_readme.py PACKAGE PLATE``.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import tifffile


def field(grids, sites, rows, columns, channels, at_rows=None):
    """Section 4, fields of place: bilinear, one grid a kind of site."""
    grids = np.array(grids, np.float32)
    _, grid_rows, grid_columns = grids.shape
    at = np.arange(rows) + 0.5 if at_rows is None else at_rows
    a = at * grid_rows / rows - 0.5
    b = (np.arange(columns) + 0.5) * grid_columns / columns - 0.5
    i = np.clip(np.floor(a), 0, max(grid_rows - 2, 0)).astype(int)
    j = np.clip(np.floor(b), 0, max(grid_columns - 2, 0)).astype(int)
    i1, j1 = np.minimum(i + 1, grid_rows - 1), np.minimum(j + 1, grid_columns - 1)
    u, v = (a - i).astype(np.float32)[:, None], (b - j).astype(np.float32)
    each = []
    for grid in grids:
        g = grid[:, j] * (1 - v) + grid[:, j1] * v
        if grid_rows == 1:
            each.append(np.broadcast_to(g[0], (rows, columns)))
        elif at_rows is not None:
            each.append(g[i] + u * (g[i1] - g[i]))
        else:  # the first product is not rounded before the sum is
            first = g[i].astype(float) * (1 - u).astype(float)
            each.append((first + g[i1] * u).astype(np.float32))
    if channels == 3:
        return np.stack(each, axis=-1)
    return np.choose(kinds_of(sites, rows, columns), each)


def kinds_of(sites, rows, columns):
    sites = np.array(sites)
    m, n = sites.shape
    return np.tile(sites, (-(-rows // m), -(-columns // n)))[:rows, :columns]


def transmittance(counts, said):
    """Steps 1 and 2."""
    rows, columns, channels = said["rows_columns_channels"]
    assert counts.shape[:2] == (rows, columns)
    x = counts if said["curve"] is None else np.array(said["curve"], np.float32)[counts]
    black = np.array(said["black"], np.float32)
    if channels == 1:
        m, n = black.shape
        black = np.tile(black, (-(-rows // m), -(-columns // n)))[:rows, :columns]
    size = said["sites"], rows, columns, channels
    t = (x.astype(np.float32) - black) * field(said["gain"], *size)
    if said["drift"]:
        down, across = (
            np.exp(-said["drift"][key] * ((np.arange(n) + 0.5) / n - 0.5)).astype(np.float32)
            for key, n in (("down", rows), ("across", columns))
        )
        t = t * (across if channels == 1 else across[:, None])
        t = t * (down[:, None] if channels == 1 else down[:, None, None])
    if said["glare"]:
        q = said["glare"]["rows_together"]
        at = (np.arange(rows) // q + 0.5) * q
        t = t * field(said["glare"]["gain"], *size, at_rows=at)
        t = t + field(said["glare"]["offset"], *size, at_rows=at)
    if said["stain"]:
        t = t * field(said["stain"]["gain"], *size)
        exponent = np.array(said["stain"]["exponent"], np.float32)
        if channels == 1:
            exponent = exponent[kinds_of(said["sites"], rows, columns)]
        t = np.where(t > 1e-6, np.maximum(t, np.float32(1e-6)) ** exponent, t)
    return t


def codes_of(t, how):
    """Step 3."""
    assert how in ("as it is", "mean", "green")
    light = t if how == "as it is" else t.mean(axis=2) if how == "mean" else t[..., 1]
    roots = np.sqrt(np.maximum(light, 0), dtype=np.float32)
    return np.clip(np.rint(roots * np.float32(65535 / 1.6**0.5)), 0, 65535).astype(int)


def weights(t):
    first = ((-0.75 * (t + 1) + 3.75) * (t + 1) - 6) * (t + 1) + 3
    second = (1.25 * t - 2.25) * t * t + 1
    third = (1.25 * (1 - t) - 2.25) * (1 - t) * (1 - t) + 1
    return first, second, third, 1 - first - second - third


def cut(codes, said):
    """Step 4."""
    rows, columns = said["rows_columns"]
    y, x = np.mgrid[:rows, :columns].astype(float)
    across, down, scale = np.tensordot(said["matrix"], np.stack([x, y, np.ones_like(x)]), 1)
    across, down = across / scale, down / scale
    last_row, last_column = codes.shape[0] - 1, codes.shape[1] - 1
    if said["nearest"]:
        return codes[np.rint(down).astype(int), np.rint(across).astype(int)]
    i, j = np.floor(down).astype(int), np.floor(across).astype(int)
    total = np.zeros((rows, columns))
    for k, by_row in zip((-1, 0, 1, 2), weights(down - i), strict=True):
        for n, by_column in zip((-1, 0, 1, 2), weights(across - j), strict=True):
            row, column = np.clip(i + k, 0, last_row), np.clip(j + n, 0, last_column)
            total += by_row * by_column * codes[row, column]
    return np.clip(np.rint(total), 0, 65535).astype(int)


def spline(nodes, values, at):
    """The natural cubic spline: second derivatives are 0 at both ends."""
    x, y = np.array(nodes, float), np.array(values, float)
    h = np.diff(x)
    matrix, right = np.eye(len(x)), np.zeros(len(x))
    for k in range(1, len(x) - 1):
        matrix[k, k - 1 : k + 2] = h[k - 1], 2 * (h[k - 1] + h[k]), h[k]
        right[k] = 6 * ((y[k + 1] - y[k]) / h[k] - (y[k] - y[k - 1]) / h[k - 1])
    bend = np.linalg.solve(matrix, right)
    at = np.clip(at, x[0], x[-1])
    k = np.clip(np.searchsorted(x, at) - 1, 0, len(x) - 2)
    a, b = (x[k + 1] - at) / h[k], (at - x[k]) / h[k]
    bent = (a**3 - a) * bend[k] + (b**3 - b) * bend[k + 1]
    return a * y[k] + b * y[k + 1] + bent * h[k] ** 2 / 6


def tones(said):
    """Step 5: the value of each of the 65,536 codes."""
    light = 1.6 * (np.arange(65536) / 65535) ** 2
    if said is None:
        return np.rint(65535 * np.clip(light, 0, 1) ** (1 / 2.2))
    light = light / said["level"]
    if said["calibration"]:
        known = said["calibration"]
        d = -np.log10(np.maximum(light, 1e-5)) / known["callier"]
        density = d + spline(known["nodes"], known["residuals"], d)
    else:
        density = -np.log10(np.maximum(light, 1e-9))
    exposure = said["exposure"] - density
    low, high = np.full(65536, 4e-11), np.full(65536, 1 - 4e-11)
    for _ in range(60):
        y = (low + high) / 2
        found = said["middle"] + said["straight"] * (y - 0.5)
        found += said["toe"] * np.log(2 * y) - said["shoulder"] * np.log(2 * (1 - y))
        low, high = np.where(found < exposure, y, low), np.where(found < exposure, high, y)
    white, black = said["white"], said["black"]
    f = 10 ** -(white + (black - white) * y)
    if said["shown"] == "full":
        f = np.clip((f - 10**-black) / (10**-white - 10**-black), 0, 1)
    return np.rint(65535 * f ** (1 / 2.2))


def read(package: Path, plate: str):
    return json.loads((package / "data" / "workings" / f"{plate}.json").read_text("utf-8"))


def positive(package: Path, plate: str, *, off: int = 0) -> np.ndarray:
    """All of section 4; with ``off``, what it would be if every code were that much higher."""
    said = read(package, plate)
    (name,) = said["captures"]
    counts = tifffile.imread(package / "data" / "captures" / name)
    if counts.dtype == np.uint8:
        counts = counts.astype(np.uint16) * 257
    codes = cut(codes_of(transmittance(counts, said["flatten"]), said["one_value"]), said["cut"])
    picture = tones(said["tone"])[np.clip(codes + off, 0, 65535)]
    picture = np.rot90(picture, -said["cut"]["rotate"] // 90).astype(np.uint16)
    left, top, right, bottom = said["cut"]["box"] or (0, 0, *picture.shape[::-1])
    return picture[top:bottom, left:right]


if __name__ == "__main__":
    where, which = Path(sys.argv[1]), sys.argv[2]
    made = positive(where, which).astype(int)
    there = tifffile.imread(where / "data" / "positives" / f"{which}.tif").astype(int)
    off = np.abs(made - there)
    print(which, made.shape, "largest difference", off.max(), "more than a step", (off > 1).sum())
