"""What a bead's lines leave in doubt, the parts that are not steady, and what a hand may say: on lines and pictures of known truth."""

from __future__ import annotations

import json
from dataclasses import fields, replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from tests.drawn_beads import DrawnBead, draw_bead, plain_view, tee_view, toe_errors_px

from toeline.bead import Evidence, find_bead, find_readings, finding, with_breaks
from toeline.bead.confidence import HIGHEST, Traits, confidence
from toeline.bead.parts import bead_parts
from toeline.bead.result import Bead, Part, ToeLine
from toeline.coupon import Hints
from toeline.errors import BadUsage, NoBead
from toeline.record import schema

Array = NDArray[np.float64]


def learned(drawn: DrawnBead, *, shift_px: float = 0.0, between: tuple[float, float] = (0.0, 1.0)) -> Evidence:
    """A map that knows the bead exactly, but for its first toe, which it puts ``shift_px`` too far out over a share of the length."""
    h, w = drawn.image.shape[:2]
    first, second = (line.copy() for line in drawn.toes_px)
    n = len(first)
    first[int(between[0] * n) : int(between[1] * n), 1] -= shift_px
    mask, line = np.zeros((h, w), np.uint8), np.zeros((h, w), np.uint8)
    cv2.fillPoly(mask, [np.round(np.concatenate([first, second[::-1]])).astype(np.int32)], 1)
    cv2.polylines(line, [np.round(first).astype(np.int32), np.round(second).astype(np.int32)], False, 1, 3)
    weld = np.asarray(0.02 + 0.96 * mask, dtype=np.float32)
    toe = np.asarray(0.9 * cv2.GaussianBlur(line.astype(np.float32), (0, 0), 1.5), dtype=np.float32)
    return Evidence(weld, 1.0, toe=toe, source="learned")


def stretch(where: str) -> tuple[str, float, float]:
    """ "left toe, 34–41 px" as (left, 34, 41)."""
    toe, span = where.split(" toe, ")
    low, high = span.split(" ")[0].split("–")
    return toe, float(low), float(high)


def test_two_finders_that_agree_raise_no_flag() -> None:
    drawn = draw_bead(seed=21)
    bead = find_bead(*plain_view(drawn.image), joint="plate", evidence=learned(drawn))
    assert not [flag for flag in bead.flags if flag.name == "finders-disagree"]


def test_two_finders_that_disagree_name_the_toe_and_the_stretch() -> None:
    drawn = draw_bead(seed=21)
    evidence = learned(drawn, shift_px=0.4 * drawn.width_px, between=(0.4, 0.8))
    bead = find_bead(*plain_view(drawn.image), joint="plate", evidence=evidence)
    told = [stretch(flag.where) for flag in bead.flags if flag.name in ("finders-disagree", "toe-unsure")]
    assert told and {toe for toe, _, _ in told} == {"left"}
    length = bead.along_mm[-1]
    assert min(low for _, low, _ in told) > 0.25 * length and max(high for _, _, high in told) < 0.95 * length


def test_disagreement_lowers_confidence() -> None:
    drawn = draw_bead(seed=22)
    agree = find_bead(*plain_view(drawn.image), joint="plate", evidence=learned(drawn))
    evidence = learned(drawn, shift_px=0.5 * drawn.width_px, between=(0.2, 0.9))
    disagree = find_bead(*plain_view(drawn.image), joint="plate", evidence=evidence, least_confidence=0.0)
    assert agree.traits["apart"] < 0.05 < disagree.traits["apart"]
    assert agree.confidence > disagree.confidence


def test_weld_metal_beyond_a_toe_is_an_overlap() -> None:
    """Two passes side by side, of which the map's toe line parts the upper from the lower."""
    drawn = draw_bead(seed=23)
    h, w = drawn.image.shape[:2]
    first, second = drawn.toes_px
    third = second + [0.0, 0.8 * drawn.width_px]
    mask, line = np.zeros((h, w), np.uint8), np.zeros((h, w), np.uint8)
    cv2.fillPoly(mask, [np.round(np.concatenate([first, third[::-1]])).astype(np.int32)], 1)
    cv2.polylines(line, [np.round(toe).astype(np.int32) for toe in (first, second)], False, 1, 3)
    toe = np.asarray(np.minimum(1.0, 1.6 * cv2.GaussianBlur(line.astype(np.float32), (0, 0), 1.5)), dtype=np.float32)
    evidence = Evidence(np.asarray(0.05 + 0.7 * mask, dtype=np.float32), 1.0, toe=toe, source="learned")
    box = (0.0, float(first[:, 1].min()) - 10, w - 1.0, float(second[:, 1].max()) + 10)
    bead = find_bead(*plain_view(drawn.image), joint="plate", evidence=evidence, hints=Hints(box_px=box))
    told = {stretch(flag.where)[0] for flag in bead.flags if flag.name == "beads-overlap"}
    outermost = abs(float(bead.toes["right"].photo_px[:, 1].mean() - third[:, 1].mean())) < 0.15 * drawn.width_px
    assert told == {"right"} or outermost


def bump(along: Array, at: float, sd: float) -> Array:
    return np.asarray(np.exp(-0.5 * ((along - at) / sd) ** 2), dtype=np.float64)


def wavy(seed: int) -> tuple[Array, Array]:
    """A bead of 120 mm whose width wanders by 2 % with a correlation of 5 mm."""
    along = np.arange(0.0, 120.0, 0.5)
    noise = cv2.GaussianBlur(np.random.default_rng(seed).normal(size=(1, len(along))), (0, 0), 10.0)[0]
    return along, 8.0 * (1 + 0.02 * noise / noise.std())


@pytest.mark.parametrize("travel", ["right", "left"])
def test_a_restart_is_told_by_its_dip_and_hump(travel: str) -> None:
    way = 1.0 if travel == "right" else -1.0
    along, width = wavy(1)
    width = width * (1 + 0.16 * bump(along, 60 + 2.5 * way, 2.1) - 0.11 * bump(along, 60 - 2 * way, 1.8))
    parts = bead_parts(along, width, travel=travel, open_ends=(False, False), off_ends=8.0)
    restarts = [part for part in parts if part.kind == "restart"]
    assert len(restarts) == 1 and restarts[0].from_mm < 57 and restarts[0].to_mm > 63
    assert sum(part.to_mm - part.from_mm for part in parts if part.kind == "steady") > 85


@pytest.mark.parametrize(("hump_mm", "dip_mm", "gap_mm"), [(1.3, 0.9, 0.0), (2.0, 0.0, 0.0), (0.9, 1.2, 0.0), (1.5, 1.0, 2.0)])
def test_a_restart_says_how_high_deep_and_long_it_is(hump_mm: float, dip_mm: float, gap_mm: float) -> None:
    """Known humps and dips on a bead that grows by a millimetre over its length: the neighbours' line takes the growth away. Both bells
    overlap a little: what is added is read off their sum."""
    along = np.arange(0.0, 120.0, 0.5)
    swing = hump_mm * bump(along, 62.5, 2.1) - dip_mm * bump(along, 57.5, 1.8)
    width = 8.0 + along / 120 + swing
    gaps = ((59.0, 59.0 + gap_mm),) if gap_mm else ()
    parts = bead_parts(along, width, travel="right", open_ends=(False, False), off_ends=8.0, gaps=gaps)
    (restart,) = [part for part in parts if part.kind in ("restart", "tack")]
    assert restart.hump_mm == pytest.approx(swing.max(), abs=0.15) and restart.dip_mm == pytest.approx(-swing.min(), abs=0.15)
    assert (restart.gap_mm or 0.0) == pytest.approx(gap_mm, abs=0.01)
    assert all(part.hump_mm is None and part.gap_mm is None for part in parts if part.kind == "steady")


def test_a_tack_welded_over_is_told_by_its_hump() -> None:
    along, width = wavy(2)
    parts = bead_parts(along, width * (1 + 0.14 * bump(along, 50, 2.9)), travel="right", open_ends=(False, False), off_ends=8.0)
    assert [part.kind for part in parts] == ["start", "steady", "tack", "steady", "crater"]


def test_an_even_bead_keeps_its_steady_part_whole() -> None:
    n_split = 0
    for seed in range(40):
        along, width = wavy(100 + seed)
        parts = bead_parts(along, width, travel="right", open_ends=(False, False), off_ends=8.0)
        n_split += len([part for part in parts if part.kind == "steady"]) > 1
    assert n_split <= 2


def test_an_uneven_bead_hides_nothing_behind_restarts() -> None:
    """Width jumping by a third everywhere is an uneven bead: its worst stretches must stay in the statistics."""
    along = np.arange(0.0, 120.0, 0.5)
    noise = cv2.GaussianBlur(np.random.default_rng(5).normal(size=(1, len(along))), (0, 0), 6.0)[0]
    width = 8.0 * (1 + 0.2 * noise / noise.std())
    parts = bead_parts(along, width, travel="right", open_ends=(False, False), off_ends=8.0)
    assert {part.kind for part in parts} == {"start", "steady", "crater"}


def test_gap_and_tack_beyond_the_end_are_named() -> None:
    along, width = wavy(3)
    parts = bead_parts(
        along, width, travel="right", open_ends=(False, False), off_ends=8.0, gaps=((70.0, 75.0),), apart=((-20.0, -12.0),)
    )
    assert [(part.kind, part.from_mm) for part in parts][0] == ("tack", -20.0)
    assert any(part.kind == "restart" and part.from_mm == 70.0 for part in parts)


def flat_bead(gaps: tuple[tuple[float, float], ...] = ()) -> Bead:
    """120 mm long, 8 mm wide, with a hump of 1.2 mm at 50 mm."""
    along = np.arange(0.0, 120.0, 0.5)
    half = 4.0 + 0.6 * bump(along, 50, 2.9)
    toes = {
        name: ToeLine(name, "plate", sign * half, 0 * half + 0.1, half > 0, np.zeros((len(along), 2)))
        for name, sign in (("right", -1.0), ("left", 1.0))
    }
    parts = bead_parts(along, np.full(len(along), 8.0), travel="right", open_ends=(False, False), off_ends=8.0, gaps=gaps)
    return Bead(along, toes, {}, 5.0, 0.9, parts, (0.0, 0.0), (0.0, 0.0))


def test_what_is_seen_on_the_face_is_left_out_of_the_steady_part() -> None:
    bead = with_breaks(flat_bead(), (Part("tack", 44.0, 56.0), Part("restart", 2.0, 7.0)))
    assert [part.kind for part in bead.parts] == ["start", "steady", "tack", "steady", "crater"], "the start stays the start's"
    tack = bead.parts[2]
    assert (tack.from_mm, tack.to_mm) == (44.0, 56.0) and tack.hump_mm == pytest.approx(1.2, abs=0.1)
    assert not bead.steady()[(bead.along_mm > 44.5) & (bead.along_mm < 55.5)].any() and not bead.flags


def test_what_touches_a_restart_goes_with_it() -> None:
    bead = with_breaks(flat_bead(gaps=((70.0, 75.0),)), (Part("tack", 66.0, 78.0),))
    (hole,) = [part for part in bead.parts if part.kind in ("tack", "restart")]
    assert (hole.kind, hole.from_mm, hole.to_mm, hole.gap_mm) == ("restart", 66.0, 78.0, 5.0)


def test_little_that_is_steady_is_doubted_after_breaks_too() -> None:
    bead = with_breaks(flat_bead(), (Part("tack", 10.0, 60.0), Part("tack", 62.0, 100.0)))
    assert [flag.name for flag in bead.flags] == ["short-bead"]


def test_confidence_is_bounded_and_falls_with_each_sign_of_trouble() -> None:
    sure = find_bead(*plain_view(draw_bead(seed=24).image), joint="plate")
    assert set(sure.traits) == {field.name for field in fields(Traits)}
    drawn = draw_bead(seed=24)
    alone = find_bead(*plain_view(drawn.image), joint="plate", evidence=learned(drawn)).traits
    worse = Traits(**{**alone, "spread": alone["spread"] + 2, "apart": 0.5, "apart_high": 1.0, "toe": 0.1, "toe_low": 0.0})
    assert 0.0 <= confidence(worse, "learned") < confidence(Traits(**alone), "learned") <= HIGHEST


def test_below_the_threshold_it_refuses_and_asks_for_a_hand() -> None:
    drawn = draw_bead(seed=25)
    view, scale = plain_view(drawn.image)
    with pytest.raises(NoBead) as caught:
        find_bead(view, scale, joint="plate", least_confidence=0.99)
    assert "points on the toes" in caught.value.advice
    box = (0.0, 150.0, 899.0, 450.0)
    assert find_bead(view, scale, joint="plate", least_confidence=0.99, hints=Hints(box_px=box)).toes


def test_on_plates_roughness_reads_a_bead_twice_and_the_better_reading_comes_first() -> None:
    drawn = draw_bead(seed=24)
    view, scale = plain_view(drawn.image, px_per_mm=10.0)
    both = find_readings(view, scale, joint="plate")
    assert len(both) == 2 and both[0].confidence >= both[1].confidence
    for bead in both:
        off = [toe_errors_px(toe.photo_px, line).mean() for toe, line in zip(bead.toes.values(), drawn.toes_px, strict=True)]
        assert np.mean(off) < 0.05 * drawn.width_px
        assert 0.0 < bead.traits["apart"] < 0.05, "each is the other's second opinion"
    assert len(find_readings(view, scale, joint="plate", evidence=learned(drawn))) == 1
    assert len(find_readings(*plain_view(drawn.image), joint="plate")) == 1


def test_readings_that_exclude_each_other_leave_less_belief_in_either() -> None:
    """Bayes' rule for two readings of which at most one is right."""
    drawn = draw_bead(seed=24)
    view, scale = plain_view(drawn.image, px_per_mm=10.0)
    bead = find_readings(view, scale, joint="plate")[0]
    other = replace(bead, confidence=0.8, traits={**bead.traits, "apart": 0.4})
    one = replace(bead, confidence=0.9, traits={**bead.traits, "apart": 0.3})
    told = [reading.confidence for reading in finding._exclusive([one, other])]
    assert told == pytest.approx([9 / 14, 4 / 14]), "odds of 9, 4 and 1 for the first, the second and neither"
    assert finding._exclusive([bead, bead]) == [bead, bead]


def test_millimetres_by_roughness_alone_are_refused_sooner_than_a_shape() -> None:
    drawn = draw_bead(seed=24)
    soft = cv2.GaussianBlur(drawn.image, (0, 0), 4.0).astype(np.float64)
    grain = np.random.default_rng(0).normal(0, 4, soft.shape[:2])[..., None]
    faint = np.clip(soft.mean() + 0.2 * (soft - soft.mean()) + grain, 0, 255).astype(np.uint8)
    view, scale = plain_view(faint, px_per_mm=10.0)
    reading = find_readings(view, scale, joint="plate")[0]
    off = [toe_errors_px(toe.photo_px, line).mean() for toe, line in zip(reading.toes.values(), drawn.toes_px, strict=True)]
    assert np.mean(off) > 0.08 * drawn.width_px, "this reading is not right, and it says so:"
    with pytest.raises(NoBead) as caught:
        find_bead(view, scale, joint="plate")
    assert "points on the toes" in caught.value.advice
    assert find_bead(*plain_view(faint), joint="plate").toes


def test_a_vague_second_opinion_raises_no_doubt() -> None:
    """Without any texture the classical evidence knows nothing of where a toe is: a learned line that lies off is not doubted by it."""
    drawn = draw_bead(seed=21)
    evidence = learned(drawn, shift_px=0.4 * drawn.width_px, between=(0.4, 0.8))
    grain = np.random.default_rng(1).normal(120, 3, drawn.image.shape[:2])
    bare = np.repeat(np.clip(grain, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    for image, doubted in ((drawn.image, True), (bare, False)):
        flags = find_bead(*plain_view(image), joint="plate", evidence=evidence, least_confidence=0.0).flags
        assert any(flag.name == "finders-disagree" for flag in flags) == doubted


def test_a_missed_third_of_the_face_shows_in_its_texture() -> None:
    drawn = draw_bead(seed=26)
    right, part = (
        find_bead(*plain_view(drawn.image), joint="plate", evidence=learned(drawn, shift_px=shift), least_confidence=0.0)
        for shift in (0.0, -0.3 * drawn.width_px)
    )
    assert right.traits["textured"] < 0.3 and part.traits["textured"] > 0.6


def test_other_beads_are_listed_and_one_point_chooses() -> None:
    upper = draw_bead(seed=6, offset_px=-160.0, width_px=50.0, wander_px=3.0)
    both = draw_bead(seed=7, offset_px=130.0, width_px=60.0, wander_px=3.0, base=upper.image)
    view, scale = plain_view(both.image)
    free = find_bead(view, scale, joint="plate")
    assert len(free.others_px) == 1
    x, y = free.others_px[0][len(free.others_px[0]) // 2]
    other = find_bead(view, scale, joint="plate", hints=Hints(bead_px=(float(x), float(y))))
    assert abs(float(np.mean(other.toes["left"].photo_px[:, 1])) - float(np.mean(free.toes["left"].photo_px[:, 1]))) > 150
    assert other.bead_px == (x, y) and not other.others_px
    assert "several-beads" not in {flag.name for flag in other.flags}
    with pytest.raises(BadUsage):
        find_bead(view, scale, joint="plate", hints=Hints(bead_px=(450.0, 595.0)))


def test_a_hand_tells_by_how_much_it_moved_the_width() -> None:
    """Both toes drawn 10 px outwards at points over a third of the length: wider, by less than a third of 20 px and some spread, since
    between the points the lines go back to the edges that they see."""
    drawn = draw_bead(seed=26)
    view, scale = plain_view(drawn.image)
    alone = find_bead(view, scale, joint="plate")
    through = []
    for share in np.linspace(0.4, 0.7, 12):
        for name, out in (("left", -10.0), ("right", 10.0)):
            x, y = alone.toes[name].photo_px[int(share * len(alone.along_mm))]
            through.append((name, float(x), float(y) + out))
    moved = find_bead(view, scale, joint="plate", hints=Hints(through=tuple(through))).moved_mm
    assert 0.5 < moved["width"] < 9.0


def test_the_contract_allows_a_hand_where_the_tool_alone_had_refused() -> None:
    told = json.dumps(schema()["properties"]["bead"]["properties"]["moved_mm"])
    assert "null" in told


def test_outside_the_checked_range_is_said_with_the_number() -> None:
    drawn = draw_bead(seed=27, size_px=(1200, 700), width_px=90.0, ends=(-0.38, 0.38))
    for px_per_mm, words in ((10.0, None), (4.0, "4.0 px to the mm"), (24.0, "width 3.")):
        bead = find_bead(*plain_view(drawn.image, px_per_mm=px_per_mm), joint="plate")
        told = [flag.where for flag in bead.flags if flag.name == "outside-checked-range"]
        assert (not told) if words is None else any(where.startswith(words) for where in told), (px_per_mm, told)


def test_a_short_fillet_on_long_plates_is_not_cut() -> None:
    """Most of the root shows no bead: its usual width must be the bead's, not the bare root's."""
    drawn = draw_bead(seed=28, size_px=(1400, 700), width_px=120.0, wander_px=2.0, ends=(-0.12, 0.12))
    view, scale = tee_view(drawn.image, 340.0, px_per_mm=10.0)
    bead = find_bead(view, scale, joint="tee", evidence=learned(drawn))
    for name, line, sign in (("standing", drawn.toes_px[0], 1.0), ("base", drawn.toes_px[1], -1.0)):
        true_leg = sign * (340.0 - line[:, 1]).mean() / 10.0
        assert np.median(bead.toes[name].across_mm) == pytest.approx(true_leg, abs=0.25)
