"""Limits against the standards' formulas (copies and procedures that quote them; editions are named in the sets themselves)."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt

import numpy as np
import pytest

from toeline.coupon import Coupon
from toeline.errors import BadUsage
from toeline.limits import Verdict, judge, load_limit_sets, outcome
from toeline.limits.rules import read_limit_set
from toeline.measure.result import BeadSize, Stations
from toeline.quantity import Measured
from toeline.spatter import lower_bound
from toeline.spatter.result import Interval, Spatter
from toeline.surface.result import SurfaceSign


def limit(set_name: str, key: str, **variables: float) -> float | None:
    rule = next(r for r in load_limit_sets()[set_name].limits if r.key == key)
    return 0.0 if rule.absent else rule.limit(variables)


def bead(
    base: float, standing: float, *, u: float = 0.05, short_share: float = 0.0, by: float = 0.0, **more: Measured
) -> BeadSize:
    """A fillet of constant legs; on the first ``short_share`` of its length both are shorter ``by`` [mm]."""
    along = np.arange(0, 100, 0.5)
    less = np.where(along < 100 * short_share, by, 0.0)
    b, s, noise = base - less, standing - less, np.full(along.size, u)
    measures = {
        "leg_base_mean_mm": Measured(float(b.mean()), u),
        "leg_standing_mean_mm": Measured(float(s.mean()), u),
        "leg_base_min_mm": Measured(float(b.min()), u),
        "leg_standing_min_mm": Measured(float(s.min()), u),
        "leg_difference_mm": Measured(base - standing, u),
        "width_mean_mm": Measured(float(np.hypot(b, s).mean()), u),
    }
    return BeadSize(Stations(along, np.hypot(b, s), noise, b, noise, s, noise), measures | more, np.ones(along.size, dtype=bool))


def one(verdicts: tuple[Verdict, ...], measure: str) -> Verdict:
    return next(v for v in verdicts if v.measure == measure)


# ------------------------------------------------------------------------------------------------- formulas


@pytest.mark.parametrize(
    ("width", "d", "c", "b"),
    [(8.485, 3.12, 2.27, 1.85), (10, 3.50, 2.50, 2.00), (14.142, 4.54, 3.12, 2.41), (20, 5.0, 4.0, 3.0)],
)
def test_convexity_503(width: float, d: float, c: float, b: float) -> None:
    """EN ISO 5817:2007 (course notes), a level-B extract and EN 25817:1992 agree; values worked out from their formula."""
    for level, expected in (("d", d), ("c", c), ("b", b)):
        assert limit(f"iso5817-{level}", "convexity", width_mm=width) == pytest.approx(expected, abs=0.006)


@pytest.mark.parametrize(("throat", "d", "c", "b"), [(4, 2.80, 2.60, 2.10), (7, 3.40, 3.05, 2.55)])
def test_unequal_legs_512(throat: float, d: float, c: float, b: float) -> None:
    """Level-C and level-B sheets; EN 25817:1992 extract for D."""
    for level, expected in (("d", d), ("c", c), ("b", b)):
        assert limit(f"iso5817-{level}", "unequal-legs", throat_mm=throat) == pytest.approx(expected)


def test_excess_weld_metal_502_and_throats() -> None:
    """EN ISO 5817:2007 (502, b = 20); EN 25817:1992 extract (5213, 5214); worked out from the formulas."""
    assert [limit(f"iso5817-{x}", "excess-weld-metal", width_mm=20) for x in "dcb"] == pytest.approx([6.0, 4.0, 3.0])
    assert [limit(f"iso5817-{x}", "throat", throat_mm=5) for x in "dcb"] == pytest.approx([0.8, 0.8, 0.0])
    assert limit("iso5817-c", "throat", throat_mm=8) == pytest.approx(1.0)
    assert [limit(f"iso5817-{x}", "throat-excess", throat_mm=5) for x in "cb"] == pytest.approx([2.0, 1.75])


@pytest.mark.parametrize(("t", "d", "c", "b"), [(2, 0.4, 0.2, 0.0), (6, 1.0, 0.5, 0.3), (12, 1.0, 0.5, 0.5)])
def test_undercut_by_thickness(t: float, d: float, c: float, b: float) -> None:
    """EN ISO 5817:2007 (copies): thin plate up to 3 mm, thicker above."""
    for level, expected in (("d", d), ("c", c), ("b", b)):
        coupon = Coupon(joint="tee", plate_thickness_mm=t, target_leg_mm=5.0)
        verdict = one(judge(None, surface=None, spatter=None, coupon=coupon, limit_set=f"iso5817-{level}"), "undercut_mm")
        assert verdict.limit == pytest.approx(expected)
        assert verdict.outcome == "not measurable from a photo"


def test_pores_and_crater_by_level() -> None:
    """BS EN ISO 5817:2014 quoted, 2017 and 2025, plate above 3 mm: 0.3a max 3, 0.2a max 2, none; 0.2t max 2, 0.1t max 1, none."""
    assert [limit(f"iso5817-{x}", "pore-fillet", throat_mm=5) for x in "dc"] == pytest.approx([1.5, 1.0])
    assert limit("iso5817-b", "pore") == 0.0
    assert [limit(f"iso5817-{x}", "crater", plate_thickness_mm=8) for x in "dc"] == pytest.approx([1.6, 0.8])
    assert limit("iso5817-b", "crater") == 0.0


@pytest.mark.parametrize(("leg", "shortfall"), [(5, 2.0), (6, 2.5), (8, 3.0), (10, 3.0)])
def test_undersize_by_d1_1(leg: float, shortfall: float) -> None:
    """AWS D1.1 visual table (editions 2000 and 2004, copies): L = 5, 6, 8 mm → U = 2, 2.5, 3 mm."""
    assert limit("aws-d1.1", "undersize-depth", target_leg_mm=leg) == pytest.approx(leg - shortfall)


@pytest.mark.parametrize(("width", "convexity"), [(8, 2), (8.5, 3), (24, 3), (25, 5)])
def test_convexity_by_d1_1_hangs_on_the_face_width(width: float, convexity: float) -> None:
    """AWS D1.1 weld profiles: ≤ 8 mm 2, above 3, from 25 mm 5 (inch values from copies; millimetres and last band from memory)."""
    assert limit("aws-d1.1", "convexity", width_mm=width) == convexity


# ------------------------------------------------------------------------------------------------- guard bands and verdicts


def test_guard_band_by_iso_14253() -> None:
    """Leg ≥ 6.0 mm, u = 0.15 (ISO 14253-1, U = 0.30): accept from 6.30, reject below 5.70, undecided between (worked example)."""
    assert outcome(6.30, 0.15, 6.0, "min") == "within"
    assert outcome(6.29, 0.15, 6.0, "min") == "too close to call"
    assert outcome(5.70, 0.15, 6.0, "min") == "too close to call"
    assert outcome(5.69, 0.15, 6.0, "min") == "beyond"
    assert outcome(5.70, 0.15, 6.0, "max") == "within"


def test_undersize_against_length() -> None:
    """AWS D1.1: shortfall within U is allowed over at most 10 % of the length."""
    coupon = Coupon(joint="tee", target_leg_mm=6.0, plate_thickness_mm=8.0)
    for share, told in ((0.05, "within"), (0.20, "beyond")):
        size = bead(6.5, 6.5, short_share=share, by=1.5)
        verdicts = judge(size, surface=(), spatter=None, coupon=coupon, limit_set="aws-d1.1")
        assert one(verdicts, "undersize_share_ratio").outcome == told
        assert one(verdicts, "undersize_share_ratio").value == pytest.approx(share, abs=0.01)
        assert one(verdicts, "leg_base_min_mm").outcome == "within", "1.0 mm short is within U = 2.5 mm"
    deep = judge(bead(6.5, 6.5, short_share=0.05, by=3.5), surface=(), spatter=None, coupon=coupon, limit_set="aws-d1.1")
    assert one(deep, "leg_base_min_mm").outcome == "beyond"
    assert one(deep, "leg_base_min_mm").length_share == pytest.approx(0.05, abs=0.01)


def test_leg_is_neither_size_nor_throat() -> None:
    """A hollow fillet with legs of 6 mm passes on legs; its size and throat come only from a gauge, and then fail."""
    coupon = Coupon(joint="tee", target_leg_mm=6.0, plate_thickness_mm=8.0)
    size = bead(6.4, 6.4)
    blind = judge(size, surface=(), spatter=None, coupon=coupon, limit_set="iso5817-b")
    assert one(blind, "throat_shortfall_mm").outcome == "not measurable from a photo"
    assert one(blind, "convexity_mm").outcome == "not measurable from a photo"
    gauged = Coupon(
        joint="tee", target_leg_mm=6.0, plate_thickness_mm=8.0, gauge={"throat_mm": 3.2, "throat_u_mm": 0.1, "size_mm": 2.8}
    )
    seen = judge(size, surface=(), spatter=None, coupon=gauged, limit_set="iso5817-b")
    assert one(seen, "throat_shortfall_mm").value == pytest.approx(6 / sqrt(2) - 3.2)
    assert one(seen, "throat_shortfall_mm").outcome == "beyond"
    table = judge(size, surface=(), spatter=None, coupon=gauged, limit_set="aws-d1.1")
    assert one(table, "leg_base_min_mm").outcome == "within"
    assert one(table, "size_mm").outcome == "beyond"
    with pytest.raises(BadUsage, match="convexity_mm"):
        Coupon(gauge={"convex": 1.0})


def test_porosity_sums_by_d1_1() -> None:
    """Sum of pore diameters of 1 mm and more: 10 mm in 25 mm, 20 mm in 300 mm (copies; threshold from memory)."""
    coupon = Coupon(joint="tee", target_leg_mm=6.0, plate_thickness_mm=8.0)

    def sums(pores: list[tuple[float, float]]) -> tuple[Verdict, Verdict]:
        surface = tuple(SurfaceSign("pores", 0.95, at, d, size_mm=d) for at, d in pores)
        verdicts = judge(bead(6.5, 6.5), surface=surface, spatter=None, coupon=coupon, limit_set="aws-d1.1")
        return one(verdicts, "pore_sum_worst_25mm_mm"), one(verdicts, "pore_sum_worst_300mm_mm")

    near, far = sums([(10, 3), (15, 3), (20, 3), (30, 3), (34, 0.8)])
    assert (near.value, near.outcome) == (12.0, "beyond")
    assert (far.value, far.outcome) == (12.0, "within")
    near, far = sums([(40 * i, 4.0) for i in range(7)])
    assert (near.value, far.value, far.outcome) == (4.0, 28.0, "beyond")


def test_what_only_looks_like_something_is_never_sure() -> None:
    coupon = Coupon(joint="tee", target_leg_mm=6.0, plate_thickness_mm=8.0)
    for p, told in ((0.95, "beyond"), (0.6, "too close to call")):
        surface = (SurfaceSign("crater unfilled", p, 95, 5),)
        verdict = one(judge(None, surface=surface, spatter=None, coupon=coupon, limit_set="iso5817-b"), "crater_mm")
        assert verdict.outcome == told
        assert "check by eye" in verdict.note
    unseen = one(judge(None, surface=(), spatter=None, coupon=coupon, limit_set="iso5817-b"), "crater_mm")
    assert unseen.outcome == "not measurable from a photo", "not seen is no proof under a standard"


def test_a_fusion_test_outranks_the_look() -> None:
    for result, told in (("failed", "beyond"), ("passed", "within")):
        coupon = Coupon(target_leg_mm=6.0, plate_thickness_mm=8.0, test="break", test_result=result)
        assert (
            one(judge(bead(6.5, 6.5), surface=(), spatter=None, coupon=coupon, limit_set="aws-d1.1"), "fusion_lack_mm").outcome
            == told
        )
    blind = judge(bead(6.5, 6.5), surface=(), spatter=None, coupon=Coupon(target_leg_mm=6.0), limit_set="aws-d1.1")
    assert one(blind, "fusion_lack_mm").outcome == "not measurable from a photo"


def test_teaching_set_takes_spatter_by_process() -> None:
    """The same spatter is normal for self-shielded and too much for pulsed spray (common practice, no source)."""
    spatter = Spatter((), 60.0, Interval(1.0, 0.8, 1.2), ())
    for process, told in (("fcaw-s", "within"), ("gmaw-p", "beyond")):
        verdicts = judge(bead(6, 6), surface=(), spatter=spatter, coupon=Coupon(process=process), limit_set="teaching")
        assert one(verdicts, "spatter_density_per_cm2").outcome == told


def test_teaching_set_judges_legs_against_the_target() -> None:
    coupon = Coupon(joint="tee", target_leg_mm=6.0)
    verdicts = judge(bead(5.0, 6.2), surface=(), spatter=None, coupon=coupon)
    assert one(verdicts, "leg_base_mean_mm").outcome == "beyond"
    assert one(verdicts, "leg_standing_mean_mm").outcome == "within"
    assert one(verdicts, "leg_base_mean_mm").margin == pytest.approx(5.0 - 0.95 * 6.0)
    without = judge(bead(5.0, 6.2), surface=(), spatter=None, coupon=Coupon(joint="tee"))
    assert not [v for v in without if v.measure == "leg_base_mean_mm"], "no target, nothing to judge against"


def test_every_verdict_carries_clause_edition_and_status() -> None:
    for name, chosen in load_limit_sets().items():
        verdicts = judge(
            bead(6, 6), surface=(), spatter=None, coupon=Coupon(target_leg_mm=6.0, plate_thickness_mm=8.0), limit_set=name
        )
        assert verdicts
        for verdict in verdicts:
            assert chosen.edition in verdict.source
            assert any(word in verdict.source for word in ("seen in a copy", "from memory", "house rule"))


def test_unknown_sets_and_keys_are_named() -> None:
    with pytest.raises(BadUsage, match="teaching"):
        judge(None, surface=(), spatter=None, coupon=Coupon(), limit_set="iso")
    row = {"key": "x", "title": "x", "measure": ["x"], "side": "max", "unit": "mm", "clause": "x", "maximum": 3}
    table = {"title": "x", "edition": "x", "status": "house rule", "about": "x", "limits": [row]}
    with pytest.raises(BadUsage, match=r"'maximum'.*Valid keys"):
        read_limit_set("x", table)


def test_a_capped_look_and_a_look_under_slag_put_no_pore_beyond() -> None:
    """The finder tells nothing surer than 0.9, so 0.9 itself can't be a finding; slag hides the face."""
    pore = SurfaceSign("pores", 0.9, 12, 3, size_mm=3.0)
    sure = SurfaceSign("pores", 0.95, 12, 3, size_mm=3.0)
    slag = SurfaceSign("slag left on", 0.72, 40, 10)
    for name, measure in (("teaching", "pore_max_mm"), ("iso5817-b", "pore_max_mm")):
        coupon = Coupon(target_leg_mm=6.0, plate_thickness_mm=8.0)
        told = [
            one(judge(bead(6, 6), surface=seen, spatter=None, coupon=coupon, limit_set=name), measure)
            for seen in ((pore,), (sure,), (slag, sure))
        ]
        assert [v.outcome for v in told] == ["too close to call", "beyond", "too close to call"]
        assert "Pores? 90 %, at 12 mm" in told[0].note and "chip it off" in told[2].note


def test_a_missing_answer_is_told_from_what_no_photo_shows() -> None:
    coupon = Coupon(process="gmaw-s", target_leg_mm=6.0)
    spatter = Spatter((), 60.0, None, ())
    verdicts = judge(bead(6, 6), surface=(), spatter=spatter, coupon=coupon)
    assert one(verdicts, "spatter_density_per_cm2").missing == "word on the plate before this bead"
    clean = replace(coupon, plate_before="clean")
    blurred = one(
        judge(bead(6, 6), surface=(), spatter=lower_bound(spatter, "not sharp"), coupon=clean), "spatter_density_per_cm2"
    )
    assert blurred.missing == "a better photo" and "lower bound" in blurred.note
    unscaled = replace(bead(6, 6), measures={"width_mean_px": Measured(90.0, 1.0)})
    verdicts = judge(unscaled, surface=None, spatter=None, coupon=coupon)
    assert {one(verdicts, m).missing for m in ("leg_base_mean_mm", "straightness_mm", "pore_max_mm")} == {"a scale"}
    assert one(verdicts, "undercut_mm").missing == "", "no photo shows a depth"
