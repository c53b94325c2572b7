"""Sentences for a person from what the network believes: short, second person, no blame, nothing that reads like certainty."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from toeline.causes.balance import ASSUMED_FACE, heat_input_kj_per_mm
from toeline.causes.reasoning import Belief, sign_weights
from toeline.causes.result import Travel
from toeline.causes.settings import can_spray
from toeline.causes.signs import Reading, all_signs, implied_travel
from toeline.coupon import Coupon
from toeline.flags import Flag
from toeline.measure.result import BeadSize
from toeline.processes import CauseTable, Note, Process
from toeline.quantity import Measured, format_pm

__all__ = ["change_for", "evidence", "first_thing", "notes_for", "tell_apart", "where_slow", "worked_out"]

_WORTH_TELLING = 0.2  # swing of the local speed over its mean from which it is told; a leg's own error makes about 0.1
_SPEAKS = 0.2  # natural log of the odds from which a reading counts as a reason
USUAL_STEP = "about a fifth"  # as the processes' tables have it
_LEAST_STEP = 0.08  # smaller shares of the travel than a hand can keep (judgement, no source)
_MOST_AT_ONCE = 0.36  # about a third (judgement, no source)
CARBON_STEEL = "These causes are for carbon steel only."
LOOKS = "Looks are no proof of fusion: only a break, bend or macro test shows it."
NO_PROCESS = "Say which process you used: without it no cause can be told."


#: Doubts that stand before any change in the weld, the gravest first, and what to do about them.
_FIRST = {
    "bead-unsure": "See on the picture whether the lines lie on your bead, and draw a box round it or put points on its toes if not: "
    "no change is worth naming before the bead itself is sure.",
    "slag-on-bead": "Chip and brush the slag off and take the photo again: under slag neither toes nor pores can be judged.",
    "unscaled": "No size could be seen without a scale: lay a printed strip beside the bead and take the photo again.",
}


def first_thing(flags: Iterable[Flag]) -> str:
    """What has to be done before any change in the weld is worth naming; empty where nothing stands in the way."""
    named = {flag.name for flag in flags}
    return next((words for name, words in _FIRST.items() if name in named), "")


def evidence(belief: Belief, readings: Mapping[str, Reading], cause: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The three strongest reasons for and against, strongest first."""
    signs = {name: r.speaks for name, r in readings.items()}
    weights = sign_weights(belief.network, signs, cause)
    ranked = sorted(weights, key=lambda s: -abs(weights[s]))
    pro = tuple(readings[s].words for s in ranked if weights[s] > _SPEAKS)[:3]
    contra = tuple(readings[s].words for s in ranked if weights[s] < -_SPEAKS)[:3]
    return pro, contra


def change_for(cause: CauseTable, coupon: Coupon, known: Mapping[str, Measured]) -> str:
    """The change in the controls that this machine has: taps or a dial where the settings speak of them; travel by the legs' size."""
    if cause.change_tap and "tap" in coupon.settings:
        return cause.change_tap
    if cause.change_dial and "voltage_v" not in coupon.settings and {"voltage_dial", "wire_feed_dial"} & set(coupon.settings):
        return cause.change_dial
    return cause.change.replace(USUAL_STEP, _travel_step(cause.key, known))


def _travel_step(cause: str, known: Mapping[str, Measured]) -> str:
    """How far to move the travel, where the legs say it: metal per length goes with the square of the leg, and travel inversely."""
    legs = known.get("leg_ratio")
    if legs is None or cause not in ("travel-fast", "travel-slow"):
        return USUAL_STEP
    share = (1 if cause == "travel-slow" else -1) * (legs.value**2 - 1)
    if share < _LEAST_STEP:  # the size is not what speaks for it
        return USUAL_STEP
    if share > _MOST_AT_ONCE:
        return f"a third now, and look again (the legs ask for about {100 * share:.0f} % in all, which is two steps)"
    return f"about {5 * round(20 * share)} % (metal goes with the square of the leg)"


def tell_apart(belief: Belief, readings: Mapping[str, Reading]) -> str:
    """What would tell the first two causes apart; empty where one leads clearly or none is likely."""
    ranked = sorted(belief.probability, key=lambda c: -belief.probability[c])
    if len(ranked) < 2:
        return ""
    first, second = (belief.probability[c] for c in ranked[:2])
    if second < 0.1 or second < 0.5 * first:
        return ""
    net = belief.network
    keys = [c.key for c in net.causes]
    a, b = (net.causes[keys.index(c)] for c in ranked[:2])
    rows = [net.alone(keys.index(c.key)) for c in (a, b)]
    gap = np.abs(net.presence[:, rows[0]] - net.presence[:, rows[1]])
    best, ask = 0.35, ""
    for j, name in enumerate(net.signs):
        known = readings.get(name)
        unsure = known is None or 0.2 < known.speaks < 0.8
        if unsure and all_signs()[name].ask and gap[j] > best:
            best, ask = float(gap[j]), all_signs()[name].ask
    settle = ask or a.check
    end = "" if settle.endswith((".", "?")) else "."
    return f"Can't tell “{a.title}” from “{b.title}” yet. This would help: {settle}{end}"


def notes_for(
    process: Process,
    coupon: Coupon,
    readings: Mapping[str, Reading],
) -> tuple[str, ...]:
    """What belongs beside any diagnosis of this coupon, most pressing first."""
    notes = []
    slag = readings.get("slag-left")
    if process.slag and slag is not None and slag.probability > 0.5:
        notes.append("Slag looks to be left on: chip and brush it off and take the photo again, it hides the toes.")
    if coupon.test and coupon.test_result:
        verdict = "outranks what the face looks like"
        notes.append(f"The {coupon.test} test {coupon.test_result}: that {verdict}.")
    notes += [n.text for n in process.notes if n.when and _due(n, coupon)]
    notes += [n.text for n in process.notes if not n.when]
    notes += [process.spatter.note, LOOKS, CARBON_STEEL]
    return tuple(dict.fromkeys(notes))


def worked_out(size: BeadSize | None, coupon: Coupon, process: Process) -> tuple[str, ...]:
    """What the settings and the bead's size say together: implied travel speed, heat input in both conventions."""
    number = {k: v for k, v in coupon.settings.items() if isinstance(v, int | float)}
    notes = []
    plan = number.get("travel_speed_mm_per_min")
    implied = implied_travel(size, coupon, process)
    if implied is not None:
        against = f"; the plan was {plan:.0f}" if plan else ""
        said = format_pm(implied.value, implied.u, unit="mm/min")
        notes.append(f"Your bead says a travel of about {said}{against}. This {ASSUMED_FACE}.")
    if plan and "voltage_v" in number and "current_a" in number:
        k = process.arc_efficiency_ratio
        plain = heat_input_kj_per_mm(number["voltage_v"], number["current_a"], plan)
        notes.append(
            f"Heat input {plain:.2f} kJ/mm as volts × amps / travel (AWS); {k * plain:.2f} kJ/mm with arc efficiency {k:g} (EN 1011-1)."
        )
    spray = can_spray(process, coupon.settings)
    if spray.answer in ("no", "marginal"):
        notes.append(f"Spray with these settings: {spray.answer}; {spray.why}")
    return tuple(notes)


def where_slow(travel: Travel | None) -> tuple[str, ...]:
    """Where the hand was slowest and quickest, once that is more than small change."""
    if travel is None:
        return ()
    slow, quick = int(travel.speed_ratio.argmin()), int(travel.speed_ratio.argmax())
    least, most = float(travel.speed_ratio[slow]), float(travel.speed_ratio[quick])
    if most - least < _WORTH_TELLING:
        return ()
    return (
        f"By its local size the bead was laid slowest near {travel.along_mm[slow]:.0f} mm ({100 * (1 - least):.0f} % under the mean speed) "
        f"and quickest near {travel.along_mm[quick]:.0f} mm ({100 * (most - 1):.0f} % over), if wire feed and face stayed alike.",
    )


def _due(note: Note, coupon: Coupon) -> bool:
    t = coupon.plate_thickness_mm
    for key, value in note.when.items():
        if key == "plate_thickness_min_mm" and not (t is not None and isinstance(value, int | float) and t >= value):
            return False
        if key == "plate_thickness_max_mm" and not (t is not None and isinstance(value, int | float) and t <= value):
            return False
        if key == "position_in" and not (isinstance(value, list) and coupon.position in value):
            return False
        if key == "wire_class_in" and not (isinstance(value, list) and coupon.settings.get("wire_class") in value):
            return False
    return True
