"""Fit how likely a sign is where the network's map is strong, on straight beads that nothing learnt from.

    python -m training.likely --held FOLDER [--write]

`training.signs` leaves such beads in its folder ``held``. A place is right where the sign truly shows; one logistic line a sign, held
back towards slope 1. Two halves of the beads are fitted in turn for the figures. ``--write`` puts the lines in
``inspect/toeline/surface/likely.toml``. They are rendered beads: on real steel the numbers are a hint.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from toeline.surface.learned import FACE, LINES, N_BESIDE, N_FACE, READ, SIGNS, read_picture
from toeline.surface.places import Place, places
from toeline.surface.signs import MOST, TOLD_FROM

OUT = Path(__file__).parents[1] / "inspect" / "toeline" / "surface" / "likely.toml"
WIDTH_OF_WHITE_MM = 25.5
WHOLE = ("ripple pointed", "dull face", "soot", "convex face", "flat face")
EXPECTED = {
    "pores": 0.15, "undercut": 0.15, "overlap": 0.12, "crater unfilled": 0.12, "cold start": 0.08, "melt-through": 0.03, "wire left": 0.03,
    "arc strike": 0.05, "ripple pointed": 0.15, "dull face": 0.12, "soot": 0.25, "convex face": 0.15, "flat face": 0.12,
}  # fmt: skip
"""How many beads of beginners have a sign: far fewer than training pictures, in which signs are planted (common practice, no source)."""
LEAST_SHOWN = {"undercut": 60, "overlap": 60, "cold start": 200}
"""A bead has a sign where at least so many points show it (20 where not said)."""


@dataclass(frozen=True)
class Case:
    """A place told, how strong, and whether the sign is there; `bead` is the bead's number."""

    bead: int
    sign: str
    strength: float
    right: bool


def cases(number: int, path: Path) -> tuple[list[Case], dict[str, bool]]:
    """Places on one bead, and which signs it truly has (those known)."""
    with np.load(path) as kept:
        rgbw, shown, known, start, crater = (kept[key] for key in ("rgbw", "shown", "known", "start", "crater"))
    seen = rgbw[..., :3].any(axis=2)
    n = rgbw.shape[1]
    width = np.maximum(rgbw[0, :, 3] / 255.0 * WIDTH_OF_WHITE_MM, 0.5)
    blank = np.zeros((rgbw.shape[0], n, 2))
    read = read_picture(rgbw[..., :3], seen, np.arange(n) * 0.15, blank, width.astype(np.float64), ("first", "second"))
    found = []
    for place in places(read, start=start, crater=crater):
        right = _right(place, shown, known)
        if right is not None:
            found.append(Case(number, place.sign, place.strength, right))
    has = {}
    for k, sign in enumerate(SIGNS):
        if ((known >> k) & 1).any():
            has[sign] = int(((shown >> k) & 1).sum()) >= LEAST_SHOWN.get(sign, 20)
    return found, has


def _right(place: Place, shown: NDArray[np.uint16], known: NDArray[np.uint16]) -> bool | None:
    """Whether the sign shows at a place; None where nobody knows."""
    bit = 1 << SIGNS.index(place.sign)
    if place.sign in WHOLE:
        rows = FACE if place.sign != "soot" else slice(None)
        told = (known[rows] & bit) > 0
        if told.mean() < 0.1:
            return None
        return bool(((shown[rows] & bit) > 0)[told].mean() > 0.5)
    if place.sign in LINES:
        first_toe = place.row < N_BESIDE + N_FACE // 2
        rows = slice(N_BESIDE - 12, N_BESIDE + 8) if first_toe else slice(N_BESIDE + N_FACE - 8, N_BESIDE + N_FACE + 12)
        cut = slice(place.first, place.last + 1)
        there, told = ((shown[rows, cut] & bit) > 0).any(axis=0), ((known[rows, cut] & bit) > 0).mean(axis=0) > 0.6
        share = there.mean()
        return bool(share >= 0.4) if share >= 0.4 or told.mean() > 0.6 else None
    reach = (3, 4) if place.sign == "pores" else (6, 8)
    rows = slice(max(0, place.row - reach[0]), place.row + reach[0] + 1)
    columns = slice(max(0, place.column - reach[1]), place.column + reach[1] + 1)
    if (shown[rows, columns] & bit).any():
        return True
    return False if (known[rows, columns] & bit).any() else None


def line(strength: NDArray[np.float64], right: NDArray[np.bool_], count: float) -> tuple[float, float]:
    """Logistic line through places by Newton's steps, slope drawn towards 1, offset towards none; those where the sign is count so much."""
    inner = np.clip(strength, 1e-4, 1 - 1e-4)
    x = np.stack([np.ones(len(inner)), np.log(inner / (1 - inner))], axis=1)
    beta, prior = np.array([0.0, 1.0]), np.array([0.0, 1.0])
    hold = np.diag([0.1, 1.0])
    weight = np.where(right, count, 1.0)
    for _ in range(30):
        p = 1 / (1 + np.exp(-np.clip(x @ beta, -30, 30)))
        gradient = x.T @ (weight * (p - right)) + hold @ (beta - prior)
        step = np.linalg.solve((x * (weight * p * (1 - p))[:, None]).T @ x + hold, gradient)
        beta = beta - step * min(1.0, 1.0 / max(float(np.abs(step).max()), 1e-9))
    return float(beta[0]), float(max(beta[1], 0.05))


def _told(strength: NDArray[np.float64], fitted: tuple[float, float]) -> NDArray[np.float64]:
    inner = np.clip(strength, 1e-4, 1 - 1e-4)
    return np.minimum(MOST, 1 / (1 + np.exp(-(fitted[0] + fitted[1] * np.log(inner / (1 - inner))))))


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--held", type=Path, required=True)
    ask.add_argument("--write", action="store_true")
    told = ask.parse_args()
    every: list[Case] = []
    having: list[dict[str, bool]] = []
    for number, path in enumerate(sorted(told.held.glob("*.npz"))):
        found, has = cases(number, path)
        every += found
        having.append(has)
    rows = [
        "# How likely a sign is: logistic line over the logit of the map's strength; by training/likely.py, on rendered beads kept apart."
    ]
    print(
        f"{'sign':17} beads with  told>=.2 right-of-with  wrongly-told-of-without   told>=.5: with, without  mean told where right / wrong"
    )
    for sign in (*READ, *LINES):
        mine = [c for c in every if c.sign == sign]
        strength, right = np.array([c.strength for c in mine]), np.array([c.right for c in mine], bool)
        bead = np.array([c.bead for c in mine], int)
        if len(mine) < 8 or right.all() or not right.any():
            print(sign, "cannot be fitted:", len(mine), int(right.sum()))
            continue
        share = sum(bool(has.get(sign)) for has in having) / max(1, sum(sign in has for has in having))
        count = EXPECTED[sign] / (1 - EXPECTED[sign]) * (1 - share) / share
        p = np.zeros(len(mine))
        for half in (0, 1):
            here = bead % 2 == half
            p[here] = _told(strength[here], line(strength[~here], right[~here], count))
        most = {k: max((float(v) for v, b in zip(p, bead, strict=True) if b == k), default=0.0) for k in range(len(having))}
        hit = {
            k: max((float(v) for v, b, r in zip(p, bead, right, strict=True) if b == k and r), default=0.0)
            for k in range(len(having))
        }
        with_it = [k for k, has in enumerate(having) if has.get(sign)]
        without = [k for k, has in enumerate(having) if has.get(sign) is False]
        counts = [(sum(hit[k] >= level for k in with_it), sum(most[k] >= level for k in without)) for level in (TOLD_FROM, 0.5)]
        offset, slope = line(strength, right, count)
        print(
            f"{sign:17} {len(with_it):3}/{len(with_it) + len(without):3}   {counts[0][0]:3}/{len(with_it):3}  {counts[0][1]:3}/{len(without):3}"
            f"   {counts[1][0]:3} {counts[1][1]:3}   {p[right].mean():.2f} / {p[~right].mean():.2f}   line {offset:.2f} {slope:.2f}"
        )
        rows.append(
            f'[[signs]]\nsign = "{sign}"\noffset = {offset:.3f}\nslope = {slope:.3f}\n'
            f"# told from {TOLD_FROM}: {counts[0][0]} of {len(with_it)} beads that have it, {counts[0][1]} of {len(without)} that do not"
        )
    if told.write:
        OUT.write_text("\n".join(rows) + "\n")


if __name__ == "__main__":
    main()
