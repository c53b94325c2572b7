"""The sample coupons: the generator's geometry, and the shipped photos against their own truth.

References: OpenCV's `projectPoints`, `solvePnP` and ChArUco detector (independent of the generator's own lens and
strips); conservation of mass; the sine rule. Limits of 0.05 mm and 0.5 px are the project's own requirement.
"""

from __future__ import annotations

import json
import os
from collections import Counter
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from jsonschema import Draft202012Validator
from numpy.typing import NDArray
from PIL import Image, ImageOps
from pillow_heif import register_heif_opener
from sample_images.scene import geometry
from sample_images.scene.coupon import make_coupon, under_strip
from sample_images.scene.meshes import bead_mesh, face_mesh, particles_mesh, wire_mesh
from sample_images.scene.process import FAULTS, PROCESSES, can_have, faulty_settings, look_of, sound_settings
from sample_images.scene.shipped import SHIPPED, shipped_choices
from sample_images.scene.spatter import Particle, particle_mesh
from scipy import ndimage

from toeline.scale.strips import load_strips

SAMPLES = Path(__file__).parents[1] / "sample_images"
STRIPS = load_strips()
NAMES = [name for name, _, _ in SHIPPED]
register_heif_opener()


def known(name: str) -> dict[str, Any]:
    """Truth of a shipped photo."""
    truth: dict[str, Any] = json.loads((SAMPLES / f"{name.rsplit('.', 1)[0]}.truth.json").read_text())
    return truth


def upright(name: str) -> NDArray[np.uint8]:
    """A shipped photo, turned as its EXIF says, grey."""
    with Image.open(SAMPLES / name) as image:
        return np.asarray(ImageOps.exif_transpose(image).convert("L"))


def lens(truth: dict[str, Any]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """OpenCV's camera matrix and distortion of a truth."""
    c = truth["camera"]
    matrix = np.array([[c["focal_px"], 0, c["cx_px"]], [0, c["focal_px"], c["cy_px"]], [0, 0, 1.0]])
    return matrix, np.array([c["k1"], c["k2"], c["p1"], c["p2"]])


# ---- geometry alone


def test_strips_are_those_of_the_package() -> None:
    for name, board in geometry.BOARDS.items():
        ours = STRIPS[name]
        corners = np.asarray(ours.board().getChessboardCorners())[:, :2]
        np.testing.assert_allclose(board.corners_mm(), corners, atol=1e-5)
        assert list(np.ravel(ours.board().getIds())) == list(range(board.first_id, board.first_id + board.n_markers))


@pytest.mark.parametrize("seed", range(20))
def test_projection_agrees_with_opencv(seed: int) -> None:
    case = geometry.make_case(seed)
    for view in case.strips:
        pose = case.plates[view.placement.plate]
        points = pose.to_camera(view.placement.on_plate(view.corners_mm))
        px, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), case.camera.matrix, case.camera.distortion)
        np.testing.assert_allclose(view.corners_px, px[:, 0], atol=1e-6)


@pytest.mark.parametrize("seed", range(20))
def test_rays_through_corners_meet_the_plate_where_the_corners_are(seed: int) -> None:
    case = geometry.make_case(seed, curl_mm=0.0, lift_mm=0.3)
    for view in case.strips:
        normal = cv2.undistortPoints(
            view.corners_px[:, None], case.camera.matrix, case.camera.distortion,
            None, None, None, (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 100, 1e-14),
        )[:, 0]  # fmt: skip
        np.testing.assert_allclose(case.camera.normalised(view.corners_px), normal, atol=1e-9)
        height = view.placement.thickness_mm + view.placement.lift_mm
        met = case.plates[view.placement.plate].meet(normal, height_mm=height)
        np.testing.assert_allclose(met, view.placement.on_plate(view.corners_mm)[:, :2], atol=1e-6)


def test_plates_of_a_tee_share_the_root_and_enclose_the_angle() -> None:
    case = geometry.make_case(3, joint="tee", plate_angle_deg=87.0)
    base, standing = case.plates["base"], case.plates["standing"]
    np.testing.assert_allclose(base.rotation[:, 0], standing.rotation[:, 0])
    np.testing.assert_allclose(base.translation, standing.translation)
    assert np.degrees(np.arccos(base.rotation[:, 1] @ standing.rotation[:, 1])) == pytest.approx(87.0)
    assert np.linalg.det(base.rotation) == pytest.approx(-1.0)
    assert np.linalg.det(standing.rotation) == pytest.approx(1.0)


def test_the_view_is_not_mirrored_and_base_is_below() -> None:
    for seed in range(30):
        case = geometry.make_case(seed, roll_deg=0.0)
        for line in case.toes_px.values():
            assert line[-1, 0] > line[0, 0]
        lower, upper = ("base", "standing") if case.joint == "tee" else ("right", "left")
        assert np.median(case.toes_px[lower][:, 1]) > np.median(case.toes_px[upper][:, 1])


def test_curl_keeps_lengths_on_the_paper() -> None:
    placement = geometry.Placement(geometry.BOARDS["A"], "plate", 50.0, 30.0, 3.0, 0.1, 0.0, 2.0)
    x = np.linspace(0.0, 96.0, 2001)
    curve = placement.on_plate(np.stack([x, np.full_like(x, 12.0)], axis=1))
    assert np.linalg.norm(np.diff(curve, axis=0), axis=1).sum() == pytest.approx(96.0, abs=1e-4)
    assert curve[:, 2].max() - curve[:, 2].min() == pytest.approx(2.0, rel=0.01)


def test_unknown_choices_are_named() -> None:
    with pytest.raises(ValueError, match="colour"):
        geometry.make_case(0, colour="red")
    with pytest.raises(ValueError, match="colour"):
        make_coupon(0, colour="red")


# ---- coupons


@pytest.mark.parametrize("process", PROCESSES)
def test_metal_laid_is_metal_fed(process: str) -> None:
    """Sections of the mesh hold the wire's metal: conservation of mass, yield below 1."""
    coupon = make_coupon(5, process=process, joint="tee", fault=None, n_tacks=0, has_restart=False, step_mm=0.2)
    mesh, share, _ = bead_mesh(coupon, 0.2)
    points = mesh.points.reshape(-1, len(share), 3)
    steady = (coupon.bead.along_mm > 12.0) & (coupon.bead.along_mm < coupon.bead.length_mm - 14.0)
    y, z = points[steady, :, 1], points[steady, :, 2]
    # from the root (0, 0) along the face and back: shoelace formula
    area = 0.5 * np.abs(np.sum(y[:, :-1] * z[:, 1:] - y[:, 1:] * z[:, :-1], axis=1))
    s = coupon.settings
    fed = np.pi / 4.0 * s.wire_mm**2 * s.feed_m_per_min * 1000.0 / s.travel_mm_per_min
    assert 0.65 < float(area.mean()) / fed < 1.15


@pytest.mark.parametrize("joint", ["tee", "butt", "plate"])
def test_plate_and_bead_meet_along_the_toe(joint: str) -> None:
    coupon = make_coupon(8, joint=joint, fault="travel too fast", process="gmaw-s", step_mm=0.3)
    bead, share, _ = bead_mesh(coupon, 0.3)
    for side, column in ((0, 0), (1, -1)):
        edge = bead.points.reshape(-1, len(share), 3)[:, column]
        body = coupon.bodies[side] if joint == "tee" else coupon.bodies[0]
        face = face_mesh(coupon, body, side, 0.3)
        distance, _ = _nearest(face.points, edge)
        assert distance.max() < 1e-9


def _nearest(cloud: NDArray[np.float64], points: NDArray[np.float64]) -> tuple[Any, Any]:
    from scipy.spatial import cKDTree

    distance, index = cKDTree(cloud).query(points)
    return distance, index


def test_droplets_have_their_diameter() -> None:
    """Outline's area (convex hull's, by OpenCV) is a circle's of the stated diameter."""
    for contact in (60.0, 90.0, 125.0):
        drop = Particle("spatter", "plate", 3.0, 4.0, 1.5, contact, 1.1, 30.0, 0.0, 1)
        points, _ = particle_mesh(drop, n_round=90)
        hull = cv2.convexHull(points[:, :2].astype(np.float32))
        assert 2.0 * np.sqrt(cv2.contourArea(hull) / np.pi) == pytest.approx(1.5, rel=0.03)
        assert points[:, 2].max() == pytest.approx(drop.height_mm, rel=0.12)


def test_no_droplet_pokes_through_a_strip() -> None:
    for seed in range(12):
        coupon = make_coupon(seed, process="fcaw-s", step_mm=0.4)
        for drop in coupon.particles:
            for strip in coupon.placements:
                if strip.plate == drop.plate and under_strip(strip, drop.along_mm, drop.across_mm, 0.0):
                    assert drop.height_mm <= strip.thickness_mm + strip.lift_mm
        mesh, owner = particles_mesh(coupon, fine=False)
        assert len(owner) == len(mesh.faces)


def test_the_same_seed_gives_the_same_coupon() -> None:
    one, other = make_coupon(77, step_mm=0.4), make_coupon(77, step_mm=0.4)
    np.testing.assert_array_equal(one.bead.across_mm, other.bead.across_mm)
    assert one.particles == other.particles and one.camera == other.camera


# ---- causes: direction of each effect is common practice, no source; size follows the documented model


@pytest.mark.parametrize("process", PROCESSES)
def test_each_fault_pushes_the_bead_its_own_way(process: str) -> None:
    rng = np.random.default_rng(4)
    sound = sound_settings(rng, process, area_mm2=18.0)
    good = look_of(sound, sound)
    looks = {f: look_of(faulty_settings(rng, sound, f), sound) for f in FAULTS if can_have(process, f)}
    assert looks["travel too fast"].area_mm2 < 0.7 * good.area_mm2
    assert looks["travel too fast"].undercut_mm > good.undercut_mm
    assert looks["travel too slow"].area_mm2 > 1.5 * good.area_mm2
    assert looks["travel too slow"].lap_share > good.lap_share
    assert looks["travel unsteady"].drift_ratio > 3.0 * good.drift_ratio
    assert abs(np.log(looks["work angle off"].leg_ratio)) > 0.3
    assert looks["volts low"].hump_ratio > good.hump_ratio
    assert looks["volts high"].spread_ratio > good.spread_ratio
    assert looks["volts high"].undercut_mm > good.undercut_mm
    assert looks["ctwd long"].n_spatter_per_100mm > good.n_spatter_per_100mm
    assert looks["ctwd long"].hump_ratio > good.hump_ratio
    assert looks["contaminated plate"].n_pores_per_100mm > 3.0
    assert looks["crater not filled"].crater_mm > 1.2 > good.crater_mm
    if "poor gas cover" in looks:
        assert looks["poor gas cover"].n_pores_per_100mm > 4.0
        assert looks["poor gas cover"].dull_ratio > good.dull_ratio
    if "wrong polarity" in looks:
        assert looks["wrong polarity"].n_spatter_per_100mm > 2.0 * good.n_spatter_per_100mm


def test_a_fault_the_process_cannot_have_is_refused() -> None:
    sound = sound_settings(np.random.default_rng(0), "gmaw-s")
    with pytest.raises(ValueError, match="wrong polarity"):
        faulty_settings(np.random.default_rng(0), sound, "wrong polarity")


# ---- signs to check by eye (how they look on steel: common practice, no source)


def test_an_unknown_sign_is_named() -> None:
    with pytest.raises(ValueError, match="icicle"):
        make_coupon(0, signs=("icicle",))


def test_a_rolled_toe_hangs_over_its_plate() -> None:
    """Overlap is weld metal beyond where it is fused: somewhere above the toe the section must turn back inwards."""
    coupon = make_coupon(11, joint="plate", fault=None, signs=("overlap",), step_mm=0.2)
    mesh, share, _ = bead_mesh(coupon, 0.1)
    sections = mesh.points.reshape(-1, len(share), 3)
    row = int(np.argmax(coupon.bead.lap_mm[0]))
    y, z = sections[row, :, 1], sections[row, :, 2]
    low = share < 0.4
    contact = y[low][z[low] < 0.02].max()
    edge = y[low][z[low] > 0.05].min()
    assert contact - edge > 0.15, "the metal's edge lies outside of where it touches the plate"
    assert edge >= coupon.bead.across_mm[0, row] - 0.05, "and the toe line is that edge"


def test_an_undercut_is_as_deep_as_told_and_the_plate_is_whole_beyond_it() -> None:
    coupon = make_coupon(12, joint="plate", fault=None, signs=("undercut",), step_mm=0.2)
    side = int(np.argmax(coupon.bead.sunk_mm.max(axis=1)))
    row = int(np.argmax(coupon.bead.sunk_mm[side]))
    mesh = face_mesh(coupon, coupon.bodies[0], side, 0.2)
    x = coupon.bead.along_mm[row]
    across = np.abs(mesh.points[np.abs(mesh.points[:, 0] - x) < 1e-6])
    from_toe = across[:, 1] - np.abs(coupon.bead.across_mm[side, row])
    assert across[from_toe < 0.01, 2].max() == pytest.approx(coupon.bead.sunk_mm[side, row], abs=0.02)
    assert across[from_toe > coupon.bead.groove_mm[side, row], 2].max() < 1e-6


def test_planted_signs_leave_the_rest_of_the_coupon_alone() -> None:
    plain, planted = make_coupon(13, fault=None), make_coupon(13, fault=None, signs=("wire left", "melt-through"))
    np.testing.assert_array_equal(plain.bead.across_mm, planted.bead.across_mm)
    assert plain.particles == planted.particles and plain.phone == planted.phone
    kinds = {d.kind for d in planted.bead.defects} - {d.kind for d in plain.bead.defects}
    assert kinds == {"wire left", "melt-through"}


def test_a_cold_start_is_narrow_and_high() -> None:
    plain = make_coupon(14, joint="plate", fault=None, to_right=True)
    cold = make_coupon(14, joint="plate", fault=None, to_right=True, signs=("cold start",))
    start = (plain.bead.along_mm > 2.0) & (plain.bead.along_mm < 4.0)
    wide = [float(np.mean(np.diff(c.bead.across_mm[:, start], axis=0))) for c in (plain, cold)]
    assert wide[1] < 0.9 * wide[0] and cold.bead.hump_mm[start].mean() > 1.3 * plain.bead.hump_mm[start].mean()
    rest = plain.bead.along_mm > 20.0
    np.testing.assert_allclose(plain.bead.across_mm[:, rest], cold.bead.across_mm[:, rest])


def test_wire_left_is_as_long_and_thick_as_told() -> None:
    coupon = make_coupon(15, fault=None, signs=("wire left",))
    wire = coupon.bead.wire
    assert wire is not None
    bead, share, _ = bead_mesh(coupon, 0.2)
    rod = wire_mesh(coupon, bead.points.reshape(-1, len(share), 3), share)
    reach = np.linalg.norm(rod.points - rod.points[:17].mean(axis=0), axis=1).max()
    assert wire.length_mm * 0.95 < reach < wire.length_mm * 1.35 + 2.0 * wire.diameter_mm


# ---- shipped photos


def test_the_shipped_set_is_what_was_promised() -> None:
    truths = [known(name) for name in NAMES]
    assert len(truths) == 16
    assert all(n >= 2 for n in Counter(t["process"] for t in truths).values())
    assert set(t["process"] for t in truths) == set(PROCESSES)
    assert Counter(t["joint"] == "tee" for t in truths)[True] >= 4
    assert Counter(t["joint"] == "tee" for t in truths)[False] >= 4
    assert sum(t["fault"] is not None for t in truths) == 5
    assert sum(t["hard"] is not None for t in truths) == 3
    files = [p for p in SAMPLES.iterdir() if p.suffix in (".jpg", ".heic", ".json", ".png")]
    assert sum(p.stat().st_size for p in files) < 25e6


@pytest.mark.parametrize("name", NAMES)
def test_truth_fits_its_schema_and_its_photo(name: str) -> None:
    schema = json.loads((SAMPLES / "truth.schema.json").read_text())
    Draft202012Validator.check_schema(schema)
    truth = known(name)
    Draft202012Validator(schema).validate(truth)
    picture = upright(name)
    assert picture.shape == (truth["camera"]["height_px"], truth["camera"]["width_px"])
    assert picture.shape[1] >= 2000 and picture.shape[0] >= 1500
    stations = truth["stations"]
    assert {len(v) for v in stations.values()} == {len(stations["along_mm"])}


@pytest.mark.parametrize("name", NAMES)
def test_strip_poses_solved_with_the_true_lens(name: str) -> None:
    """OpenCV finds the corners and solves each flat strip's pose: the chessboard's middle agrees to 0.05 mm."""
    truth, picture = known(name), upright(name)
    matrix, distortion = lens(truth)
    plates = {p["name"]: p for p in truth["plates"]}
    for strip in truth["strips"]:
        board = STRIPS[strip["name"]].board()
        corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(picture)
        assert ids is not None and len(ids) >= 8, f"{name}: strip {strip['name']} not found"
        true_px = np.array(strip["corners_px"])[ids.ravel()]
        away = corners.reshape(-1, 2) - true_px
        # the mean over n corners of the error in px, as mm on the strip
        plate = plates[strip["plate"]]
        depth = plate["translation_mm"][2]
        mm_per_px = depth / truth["camera"]["focal_px"]
        assert np.abs(np.median(away, axis=0)).max() * mm_per_px < 0.05
        if strip["curl_mm"] > 0.0:
            continue
        flat = np.asarray(board.getChessboardCorners())[ids.ravel()].astype(np.float64)
        solved, turn, shift = cv2.solvePnP(flat, corners.reshape(-1, 1, 2).astype(np.float64), matrix, distortion)
        assert solved
        placement = geometry.Placement(
            geometry.BOARDS[strip["name"]], strip["plate"], strip["along_mm"], strip["across_mm"],
            strip["turn_deg"], strip["thickness_mm"], strip["lift_mm"],
        )  # fmt: skip
        middle = np.array([[placement.board.length_mm / 2, placement.board.height_mm / 2]])
        rotation, translation = np.array(plate["rotation"]), np.array(plate["translation_mm"])
        true_mm = placement.on_plate(middle)[0] @ rotation.T + translation
        found_mm = cv2.Rodrigues(turn)[0] @ np.append(middle[0], 0.0) + shift.ravel()
        error = found_mm - true_mm
        assert np.linalg.norm(error) < 0.05


@pytest.mark.parametrize("name", NAMES)
def test_toe_points_lie_on_the_edge_of_the_bead(name: str) -> None:
    truth = known(name)
    with Image.open(SAMPLES / f"{name.rsplit('.', 1)[0]}.mask.png") as image:
        mask = np.asarray(image)
    weld = np.isin(mask, (2, 4))
    pieces, _ = ndimage.label(weld)
    bead = pieces == np.bincount(pieces[weld]).argmax()  # crumbs of slag off the bead are other pieces
    signed = np.where(bead, ndimage.distance_transform_edt(bead) - 0.5, 0.5 - ndimage.distance_transform_edt(~bead))
    for line in truth["bead"]["toes"].values():
        px, visible = np.array(line["px"]), np.array(line["visible"], dtype=bool)
        assert visible.mean() > 0.5
        off = np.abs(ndimage.map_coordinates(signed, px[visible][:, ::-1].T, order=1))
        assert np.median(off) < 0.3
        assert np.quantile(off, 0.95) < 0.5


@pytest.mark.parametrize("name", ["tee-gmaw-s-2.jpg", "plate-fcaw-s-1.jpg"])
def test_truth_is_the_generators(name: str) -> None:
    """What ships is what the code makes: stations and toes again from the seed."""
    seed, given = next((s, g) for n, s, g in SHIPPED if n == name)
    coupon = make_coupon(seed, **shipped_choices(name, given))
    truth = known(name)
    for side, toe in enumerate(("base", "standing") if coupon.joint == "tee" else ("right", "left")):
        line = truth["bead"]["toes"][toe]
        np.testing.assert_allclose(coupon.toe_px(side, np.array(line["along_mm"])), line["px"], atol=0.02)


def test_ray_caster_sees_the_toes_where_geometry_puts_them() -> None:
    """Mitsuba's ray caster against the projected toe lines, at small size; needs the extra `render`."""
    pytest.importorskip("mitsuba")
    if not {"DRJIT_LIBLLVM_PATH", "DRJIT_LIBOPTIX_PATH"} & set(os.environ):
        pytest.skip("neither DRJIT_LIBLLVM_PATH nor DRJIT_LIBOPTIX_PATH names a library to trace rays with")
    from sample_images.scene import render
    from sample_images.scene.truth import bead_mask, truth

    try:
        mi = render.mitsuba("cuda_ad_rgb,llvm_ad_rgb")
    except RuntimeError as problem:
        pytest.skip(str(problem).split(";")[0])
    coupon = make_coupon(31, joint="tee", process="gmaw-p", fault=None, width_px=480, height_px=360, step_mm=0.3)
    assembly = render.assemble(coupon, px_per_mm=2.0, mesh_step_mm=0.3)
    scene, shapes = render.load(mi, coupon, assembly)
    hits = render.cast(coupon, scene, shapes, mi)
    bead = bead_mask(hits)
    signed = np.where(bead, ndimage.distance_transform_edt(bead) - 0.5, 0.5 - ndimage.distance_transform_edt(~bead))
    for line in truth(coupon, hits, assembly)["bead"]["toes"].values():
        px = np.array(line["px"])[np.array(line["visible"], dtype=bool)]
        off = np.abs(ndimage.map_coordinates(signed, px[:, ::-1].T, order=1))
        assert len(px) > 100
        assert np.quantile(off, 0.95) < 0.5
