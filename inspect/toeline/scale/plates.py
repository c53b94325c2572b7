"""From strips as found to a scale: which strip lies on which plate, the solve, and what it leaves in doubt."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from toeline.errors import PlatesUnsolved
from toeline.flags import Flag
from toeline.quantity import Measured
from toeline.scale.budget import Budget
from toeline.scale.bundle import PRINT, STEP, JointLine, Problem, Sighting, strip_on_plate
from toeline.scale.rays import px_per_mm_at
from toeline.scale.solution import PlateFit, Scale
from toeline.scale.solving import Fit, refit, settle, solve, sources, unsolved

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """Strips of one photo on their plates, and where the solve ended."""

    problem: Problem
    fit: Fit
    flags: tuple[Flag, ...]


def solve_plates(sightings: Sequence[Sighting], *, joint: str, budget: Budget, mirrored: bool = False) -> Scale:
    """Lens and plates from the corners of all strips, with the effect of every named doubt; see `solve_strips`."""
    return scale_of(solve_strips(sightings, joint=joint, budget=budget, mirrored=mirrored))


def solve_strips(
    sightings: Sequence[Sighting], *, joint: str, budget: Budget, mirrored: bool = False, by_letter: bool = False
) -> Solved:
    """Find lens and plates from the corners of all strips.

    Parameters
    ----------
    sightings : sequence of Sighting
        Strips as found; their plates are told here.
    joint : str
        ``tee`` has a base and a standing plate; every other joint is one plate.
    budget : Budget
        What is believed of lens, strips and print.
    mirrored : bool
        The corners come from a mirrored photo.
    by_letter : bool
        Take the strips in the order of their letters, which is the same in all photos, instead of the best seen first.

    Raises
    ------
    PlatesUnsolved
        A tee with strips on one plate only, strips in one plane on a tee, or corners that no pose explains.
    """
    placed, flags = tell_plates(sightings, joint)
    if by_letter:
        placed = sorted(placed, key=lambda s: s.strip.letter)
    problem = Problem(placed, budget, mirrored=mirrored)
    fit = solve(problem)
    try:
        check_residuals(problem, fit)
    except PlatesUnsolved:
        problem = Problem(placed, _bendable(budget), mirrored=mirrored)
        fit = refit(problem, fit)
        check_residuals(problem, fit)
    if joint == "tee":
        _check_tee(problem, fit)
    return Solved(problem, fit, tuple(flags))


def _bendable(budget: Budget) -> Budget:
    """The same beliefs of strips that may be curled as paper off a roll is."""
    strips = {letter: replace(prior, curl_u_mm=max(prior.curl_u_mm, ROLLED_U_MM)) for letter, prior in budget.strips.items()}
    return replace(budget, strips=strips)


def bare_scale(solved: Solved) -> Scale:
    """Lens and plates alone, with no word on how surely they are known."""
    flip = not solved.problem.two_plates and along_points_left(solved.problem, solved.fit)
    return shown(solved.problem, solved.fit, plate_fits(solved.problem, solved.fit, flip=flip), {}, ())


def scale_of(solved: Solved) -> Scale:
    """The solve as the package shows it."""
    problem, fit = solved.problem, solved.fit
    flip = not problem.two_plates and along_points_left(problem, fit)
    plates = plate_fits(problem, fit, flip=flip)
    names = [plate.name for plate in plates]
    slopes = outputs(problem, fit.theta, names, flip=flip)
    shares = {name: slopes @ column for name, column in sources(problem, fit).items()}
    noise = np.stack([shares.pop(name) for name in list(shares) if name.startswith("corners ")], axis=1)
    (noise_shares,) = condensed([noise], [float(np.exp(fit.theta[0]))])
    return shown(problem, fit, plates, shares | noise_shares, (*solved.flags, *doubts(problem, fit)))


def shown(
    problem: Problem, fit: Fit, plates: tuple[PlateFit, ...], shares: Mapping[str, Array], flags: tuple[Flag, ...]
) -> Scale:
    """A scale from the plates and what each source does to lens, plates and angle."""
    angle = None
    if problem.two_plates:
        angle = Measured(problem.angle_deg(fit.theta), 0.0, {n: float(c[-1]) for n, c in shares.items()})
    motions = {
        source: MappingProxyType({plate.name: column[7 + 6 * i : 13 + 6 * i] for i, plate in enumerate(plates)})
        for source, column in shares.items()
    }
    scale = Scale(
        source="strips",
        lens=problem.lens(fit.theta),
        plates=plates,
        px_per_mm=Measured(1.0),
        plate_angle_deg=angle,
        effects=MappingProxyType(motions),
        lens_effects=MappingProxyType({source: column[:7] for source, column in shares.items()}),
        flags=flags,
        joint_line_px=None if problem.joint_line is None else problem.joint_line.points_px,
    )
    return replace(scale, px_per_mm=px_per_mm_at(scale, plates[0].name, (0.0, 0.0)))


def with_joint_line(solved: Solved, line: JointLine) -> Solved:
    """The solve again, with the joint line as seen in the photo.

    Where the line lies further from where the plates meet than both are believed to be off, a strip is likely to lie higher
    than believed: stand-off and rocking are then left open, the line decides, and the doubt is said. A line that even
    that can't explain is left out.
    """
    before = solved.problem
    problem = Problem(before.sightings, before.budget, mirrored=before.mirrored, joint_line=line)
    if _strangeness(problem, solved.fit) <= STRANGE:
        return Solved(problem, settle(problem, solved.fit), solved.flags)
    off_mm = float(np.abs(problem.line_off_mm(solved.fit.theta[None], problem.lens(solved.fit.theta))).max())
    doubt = (*solved.flags, Flag("joint-line-off", f"{off_mm:.1f} mm"))
    open_budget = _lifted(before.budget)
    loose = Problem(before.sightings, open_budget, mirrored=before.mirrored)
    if (
        _strangeness(Problem(before.sightings, open_budget, mirrored=before.mirrored, joint_line=line), settle(loose, solved.fit))
        > STRANGE
    ):
        return Solved(before, solved.fit, doubt)
    problem = Problem(before.sightings, open_budget, mirrored=before.mirrored, joint_line=line)
    return Solved(problem, settle(problem, solved.fit), doubt)


def _strangeness(problem: Problem, fit: Fit) -> float:
    """How far the joint line is from where a solve without it puts it, in standard uncertainties of both."""
    slopes, misses = problem.row_slopes(fit.theta)[1:], problem.row_misses(fit.theta)[1:]
    plain = Problem(problem.sightings, problem.budget, mirrored=problem.mirrored)
    spread = np.sum([(slopes @ (share * plain.unknowns.unit)) ** 2 for share in sources(plain, fit).values()], axis=0)
    return float(np.max(np.abs(misses) / np.sqrt(1.0 + spread)))


def _lifted(budget: Budget) -> Budget:
    """The same beliefs of strips that something lifts."""
    strips = {
        letter: replace(
            prior,
            stand_off_u_mm=max(prior.stand_off_u_mm, LIFTED_U_MM),
            rocking_u_mm=max(prior.rocking_u_mm, 0.3 * LIFTED_U_MM),
        )
        for letter, prior in budget.strips.items()
    }
    return replace(budget, strips=strips)


def tell_plates(sightings: Sequence[Sighting], joint: str) -> tuple[list[Sighting], list[Flag]]:
    """Which plate each strip lies on, and what is odd about it.

    On a tee the letters say it, and the photo may be turned any way. But where the base strip is seen above the
    standing one while both read upright, the strips were swapped: a photo turned over would show them upside down.
    """
    ordered = sorted(sightings, key=lambda s: -len(s.ids))
    flags = [Flag("strip-partly-hidden", f"strip {s.strip.letter}") for s in ordered if len(s.ids) < len(s.strip.corners_mm)]
    if joint != "tee":
        return [replace(s, plate="plate") for s in ordered], flags
    placed = [replace(s, plate=s.strip.plate) for s in ordered]
    found = {s.plate for s in placed}
    if len(found) < 2:
        letters = " and ".join(sorted(s.strip.letter for s in placed))
        where = "base" if "base" in found else "standing"
        raise PlatesUnsolved(
            f"Only strip {letters} was found, so only the {where} plate is known; legs need both plates.",
            advice="Lay strip A, C or E on the base plate and B, D or F on the standing plate, both whole in the photo.",
            evidence={"corners_px": {s.strip.letter: s.corners_px for s in placed}},
        )
    base = np.mean([s.corners_px.mean(axis=0) for s in placed if s.plate == "base"], axis=0)
    standing = np.mean([s.corners_px.mean(axis=0) for s in placed if s.plate == "standing"], axis=0)
    up = standing - base
    readings = [_reading_down(s) for s in placed]
    upright = [float(-(down @ up)) for down in readings]
    if up[1] > 0 and all(u < 0 for u in upright) and all(down[1] > 0 for down in readings):
        other = {"base": "standing", "standing": "base"}
        placed = [replace(s, plate=other[s.plate]) for s in placed]
        return placed, [*flags, Flag("strips-swapped")]
    flags += [Flag("strip-upside-down", f"strip {s.strip.letter}") for s, u in zip(placed, upright, strict=True) if u < 0]
    return placed, flags


def _reading_down(sighting: Sighting) -> Array:
    """Direction in the photo in which the strip's print reads downwards, shape (2,)."""
    board = sighting.strip.corners_mm[sighting.ids]
    design = np.column_stack([board, np.ones(len(board))])
    slope, *_ = np.linalg.lstsq(design, sighting.corners_px, rcond=None)
    down: Array = slope[1] / np.linalg.norm(slope[1])
    return down


def along_points_left(problem: Problem, fit: Fit) -> bool:
    """Whether the first strip's length runs to the left of the photo (of the scene, when it is mirrored)."""
    ((turn, _),) = problem.frames(fit.theta[None]).values()
    x, y = turn[0, 0, 0], turn[0, 1, 0]
    return bool(x < -0.2 * abs(y))


def check_residuals(problem: Problem, fit: Fit) -> None:
    """Raise where any strip's corners miss their prediction by more than print and finding can."""
    miss = np.linalg.norm(problem.predict(fit.theta) - problem.observed, axis=1)
    parts = np.cumsum([len(s.points_px) for s in problem.sightings])[:-1]
    for sighting, missed, weights in zip(problem.sightings, np.split(miss, parts), np.split(fit.weights, parts), strict=True):
        corners_mm = sighting.strip.corners_mm[sighting.ids]
        spread_px, spread_mm = (np.linalg.norm(np.std(p, axis=0)) for p in (sighting.corners_px, corners_mm))
        rms = float(np.sqrt(np.mean(missed[weights > 0] ** 2))) if weights.any() else float("inf")
        if rms > max(WORST_RESIDUAL_PX, WORST_RESIDUAL_MM * float(spread_px / spread_mm)) or weights.mean() < 0.6:
            raise unsolved(float(np.sqrt(np.mean(missed**2))))


def _check_tee(problem: Problem, fit: Fit) -> None:
    """Raise where the two plates do not make the inside of a tee."""
    angle = problem.angle_deg(fit.theta)
    frames = problem.frames(fit.theta[None])
    for name, (turn, origin) in frames.items():
        at = problem.unknowns.pose_at[name] + 3
        across = float((fit.theta[at : at + 3] - origin[0]) @ turn[0, :, 1])
        if across <= 0 or not PLATE_ANGLE_RANGE_DEG[0] <= angle <= PLATE_ANGLE_RANGE_DEG[1]:
            raise PlatesUnsolved(
                f"The strips lie at {angle:.0f}° to each other, which is not the inside of a tee joint.",
                advice="Lay one strip on each plate facing the phone, or say that the joint is flat.",
            )


def plate_fits(problem: Problem, fit: Fit, *, flip: bool) -> tuple[PlateFit, ...]:
    """The plates as the package shows them."""
    un, theta = problem.unknowns, fit.theta
    miss = np.linalg.norm(problem.predict(theta) - problem.observed, axis=1)
    owner = np.repeat(np.arange(len(problem.sightings)), [len(s.points_px) for s in problem.sightings])
    frames = problem.frames(theta[None], flip=flip)
    fits = []
    for name in sorted(frames):
        rotation, origin = frames[name][0][0], frames[name][1][0]
        pose = problem.pose(theta, name)
        outlines = {}
        mine = [i for i, s in enumerate(problem.sightings) if s.plate == name]
        for i in mine:
            strip, at, place_at = problem.sightings[i].strip, un.strip_at[i], un.place_at[i]
            place = None if place_at is None else theta[place_at : place_at + 3]
            paper = strip_on_plate(strip, strip.outline_mm, theta[at : at + 5], theta[PRINT], place)
            corners = (paper @ pose[0].T + pose[1] - origin) @ rotation
            eye = -origin @ rotation
            outlines[strip.letter] = (eye + (corners - eye) * (eye[2] / (eye[2] - corners[:, 2:])))[:, :2]
        used = np.isin(owner, mine) & (fit.weights > 0)
        rms = float(np.sqrt(np.mean(miss[used] ** 2))) if used.any() else float("nan")
        letters = tuple(sorted(outlines))
        fits.append(PlateFit(name, rotation, origin, letters, MappingProxyType(outlines), int(used.sum()), rms))
    return tuple(fits)


def outputs(problem: Problem, theta: Array, names: Sequence[str], *, flip: bool) -> Array:
    """How lens (7), plates (6 each, a small motion in the camera frame) and the plates' angle (1) follow the unknowns, each in
    its own unit, shape (7 + 6k + 1, p)."""
    un = problem.unknowns
    free = np.arange(un.size)
    frames = problem.frames(problem.around(theta, free), flip=flip)
    lens = np.eye(7, un.size) * un.unit[:7, None]
    lens[0] *= np.exp(theta[0])
    blocks = [lens]
    for name in names:
        rotation, origin = frames[name]
        spin = (rotation[1 : 1 + un.size] - rotation[1 + un.size :]) @ rotation[0].T / (2 * STEP)
        shift = (origin[1 : 1 + un.size] - origin[1 + un.size :]) / (2 * STEP)
        turn = 0.5 * np.stack([spin[:, 2, 1] - spin[:, 1, 2], spin[:, 0, 2] - spin[:, 2, 0], spin[:, 1, 0] - spin[:, 0, 1]])
        blocks += [turn, shift.T]
    return np.concatenate([*blocks, (problem.angle_slope(theta) * un.unit)[None]])


def condensed(noises: Sequence[Array], focals_px: Sequence[float]) -> list[dict[str, Array]]:
    """The same covariance in fewer columns: principal parts over all photos, without those too small to matter."""
    weights = []
    for noise, focal_px in zip(noises, focals_px, strict=True):
        n_poses = (len(noise) - 8) // 6
        weights.append(np.concatenate([[200.0 / focal_px] * 3, [50.0] * 4, np.tile([100.0] * 3 + [1.0] * 3, n_poses), [1.0]]))
    weight = np.concatenate(weights)
    left, size, _ = np.linalg.svd(np.concatenate(list(noises)) * weight[:, None], full_matrices=False)
    columns = ((left * size)[:, size > 1e-4 * size[0]] / weight[:, None]).T
    cuts = np.cumsum([len(w) for w in weights])[:-1]
    parts = [np.split(column, cuts) for column in columns]
    return [{f"corners {i + 1}": part[k] for i, part in enumerate(parts)} for k in range(len(noises))]


def doubts(problem: Problem, fit: Fit) -> tuple[Flag, ...]:
    """Curl and an unusual plate angle, where the corners show them."""
    un, flags = problem.unknowns, []
    for sighting, at in zip(problem.sightings, un.strip_at, strict=True):
        if abs(fit.theta[at + 4]) > CURLED_MM:
            flags.append(Flag("strip-curled", f"strip {sighting.strip.letter}, {abs(fit.theta[at + 4]):.1f} mm"))
    if problem.two_plates:
        angle = problem.angle_deg(fit.theta)
        if abs(angle - 90.0) > 6.0:
            flags.append(Flag("plate-angle-unusual", f"{angle:.0f}°"))
    return tuple(flags)


WORST_RESIDUAL_PX, WORST_RESIDUAL_MM = 0.7, 0.06
"""Root mean square of a strip's residuals from which its pose is not believed: the larger of the two (own judgement)."""
PLATE_ANGLE_RANGE_DEG = (55.0, 125.0)
"""Angles between plates that a tee joint may have, with a little room about 60 to 120 [deg]."""
ROLLED_U_MM = 1.5
"""Curl of a strip that no flat pose explains, standard uncertainty (own judgement) [mm]."""
LIFTED_U_MM = 0.6
"""Stand-off of a strip that the joint line contradicts, standard uncertainty (own judgement) [mm]."""
STRANGE = 2.0
"""Distance between the seen joint line and the solved one from which they contradict each other [standard uncertainties]."""
CURLED_MM = 0.15
"""Curl from which it is worth a word: ends above the middle of the strip [mm]."""
