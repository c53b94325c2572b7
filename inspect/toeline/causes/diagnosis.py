"""The door of the room: signs in, causes with reasons and the one thing to change out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from toeline.causes import words
from toeline.causes.balance import speed_along_bead
from toeline.causes.lessons import lesson_words
from toeline.causes.reasoning import Belief, Past, carry_over, infer, network, relief
from toeline.causes.result import Cause, Diagnosis, Travel
from toeline.causes.settings import normalised
from toeline.causes.signs import Reading, implied_travel, quantities, read_signs
from toeline.coupon import Coupon
from toeline.flags import Flag
from toeline.measure.result import BeadSize
from toeline.processes import Process, load_process
from toeline.quantity import Measured
from toeline.spatter.result import Spatter
from toeline.surface.result import SurfaceSign

__all__ = ["reason", "reason_from_signs"]

_HARM = 0.10  # cost of a change that was not needed [faults] (judgement, no source)
_LIKELY = 0.15  # below it no change is worth naming


def reason(
    size: BeadSize | None,
    *,
    surface: Iterable[SurfaceSign] | None,
    spatter: Spatter | None,
    coupon: Coupon,
    history: Sequence[Past] | None = None,
    flags: Iterable[Flag] = (),
) -> Diagnosis:
    """Likely causes of what the coupon shows.

    Parameters
    ----------
    size : BeadSize or None
        None: nothing was measured; told, tested and entered signs still count.
    surface : iterable of SurfaceSign, or None
        None: nobody looked; empty: looked and found nothing, which counts as evidence.
    spatter : Spatter or None
    coupon : Coupon
        Its process decides which causes there are; without one there is only a note.
    history : sequence of Past, optional
        Coupons of the same hand and set-up before this one, oldest first, each with the change made after it.
    flags : iterable of Flag
        Doubts of the result: some stand before any change in the weld, which is then not named.

    Raises
    ------
    BadUsage
        A setting or an observed sign that is not known; the message names the valid ones.
    """
    first = words.first_thing(flags)
    if coupon.process is None:
        return Diagnosis((), notes=(words.NO_PROCESS, words.LOOKS, words.CARBON_STEEL), first=first)
    process = load_process(coupon.process)
    coupon = replace(coupon, settings=normalised(coupon.settings))
    looked = None if surface is None else tuple(surface)
    readings = read_signs(size, surface=looked, spatter=spatter, coupon=coupon, process=process)
    known = quantities(size, surface=looked, spatter=spatter, coupon=coupon, process=process)
    diagnosis = reason_from_signs(readings, process=process, coupon=coupon, history=history, known=known)
    travel = _travel(size, coupon, process)
    notes = (*words.where_slow(travel), *diagnosis.notes, *words.worked_out(size, coupon, process))
    change = None if first else diagnosis.next_change
    return replace(diagnosis, notes=notes, travel=travel, first=first, next_change=change)


def _travel(size: BeadSize | None, coupon: Coupon, process: Process) -> Travel | None:
    if size is None:
        return None
    along, ratio = speed_along_bead(size)
    return Travel(along, ratio, implied_travel(size, coupon, process)) if along.size else None


def reason_from_signs(
    readings: Mapping[str, Reading],
    *,
    process: Process,
    coupon: Coupon,
    history: Sequence[Past] | None = None,
    known: Mapping[str, Measured] | None = None,
) -> Diagnosis:
    """The same from signs that have been read already, and the quantities ``known`` behind them."""
    net = network(process, coupon.joint)
    signs = {name: r.speaks for name, r in readings.items()}
    priors, lessons = carry_over(net, history or (), signs)
    belief = infer(net, signs, priors=priors)
    gains = _gains(belief, signs)
    made = [_cause(belief, readings, process, coupon, key, gains[key], known or {}) for key in belief.probability]
    causes = tuple(sorted(made, key=_rank))
    likely = [c for c in causes if c.probability >= _LIKELY and c.gain > 0]
    best = max(likely, key=lambda c: c.gain, default=None)
    return Diagnosis(
        causes,
        next_change=best.cause if best else None,
        tell_apart=words.tell_apart(belief, readings),
        notes=words.notes_for(process, coupon, readings),
        signs=MappingProxyType(signs),
        quantities=MappingProxyType({name: x.value for name, x in (known or {}).items()}),
        lessons=lesson_words(lessons, history or (), known=known or {}, signs=signs, coupon=coupon, process=process),
    )


def _rank(cause: Cause) -> tuple[bool, float]:
    """Most likely first; what nothing on this coupon speaks for, and is merely common, comes after what something speaks for."""
    return (not cause.evidence_for and cause.probability < _LIKELY, -cause.probability)


def _gains(belief: Belief, signs: Mapping[str, float]) -> dict[str, float]:
    cured = relief(belief, signs)
    return {c.key: cured[c.key] - _HARM * (1 - belief.probability[c.key]) - c.effort for c in belief.network.causes}


def _cause(
    belief: Belief,
    readings: Mapping[str, Reading],
    process: Process,
    coupon: Coupon,
    key: str,
    gain: float,
    known: Mapping[str, Measured],
) -> Cause:
    table = process.causes[key]
    pro, contra = words.evidence(belief, readings, key)
    named = dict.fromkeys(source for sign, (_, source) in table.links.items() if sign in readings)
    return Cause(
        cause=table.title,
        probability=belief.probability[key],
        evidence_for=pro,
        evidence_against=contra,
        change=words.change_for(table, coupon, known),
        expect=table.expect,
        otherwise=table.otherwise,
        caution=table.caution,
        source="; ".join(named) or "common practice, no source",
        key=key,
        kind=table.kind,
        check=table.check,
        gain=gain,
    )
