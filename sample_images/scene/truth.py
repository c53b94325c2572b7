"""What is true of a coupon's photo, as plain JSON, from geometry alone; and its class masks from cast rays."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from sample_images.scene.bead import SIDES
from sample_images.scene.coupon import Coupon, under_strip
from sample_images.scene.geometry import strip_view
from sample_images.scene.meshes import Assembly
from sample_images.scene.render import MESHES, Hits

Array = NDArray[np.float64]

FORMAT = "toeline-sample-truth"
STATION_STEP_MM = 0.5
TOE_STEP_MM = 0.25
CLASSES: tuple[str, ...] = ("other", "plate", "weld", "spatter", "slag", "strip")


def _r(values: Any, digits: int = 3) -> Any:
    return np.round(np.asarray(values, dtype=np.float64), digits).tolist()


def class_mask(coupon: Coupon, hits: Hits, assembly: Assembly) -> NDArray[np.uint8]:
    """Class of each pixel, as numbered in `CLASSES`, shape (h, w).

    Slag is class 4 wherever it lies: on the face of the weld (glass and crust) and as crumbs on the plates.
    """
    number = {name: MESHES.index(name) for name in MESHES}
    mask = np.zeros(hits.shape.shape, np.uint8)
    for name, code in (("face0", 1), ("face1", 1), ("sides", 1), ("bead", 2), ("strips", 5), ("skirts", 5)):
        mask[hits.shape == number[name]] = code
    rows, columns = assembly.slag.shape
    weld = hits.shape == number["bead"]
    v = np.clip((hits.uv[weld, 1] * rows).astype(int), 0, rows - 1)
    u = np.clip((hits.uv[weld, 0] * columns).astype(int), 0, columns - 1)
    mask[weld] = np.where(assembly.slag[v, u] > 0.5, 4, 2)
    stuck = hits.shape == number["particles"]
    if coupon.particles:
        crumb = np.array([p.kind != "spatter" for p in coupon.particles])
        mask[stuck] = np.where(crumb[assembly.particle_of_face[hits.triangle[stuck]]], 4, 3)
    return mask


def bead_mask(hits: Hits) -> NDArray[np.bool_]:
    """Pixels whose centre shows weld metal or what covers it, shape (h, w)."""
    mask: NDArray[np.bool_] = hits.shape == MESHES.index("bead")
    return mask


def _clear(coupon: Coupon, hits: Hits | None, px: Array, reach_mm: Array, slack_mm: float) -> NDArray[np.bool_]:
    """Whether points can be seen: in the frame, and nothing nearer in the pixels around them."""
    seen = coupon.camera.contains(px)
    if hits is None:
        return seen
    height, width = hits.shape.shape
    x = np.clip(np.round(px[:, 0]).astype(int), 1, width - 2)
    y = np.clip(np.round(px[:, 1]).astype(int), 1, height - 2)
    block = np.stack([hits.reach_mm[y + j, x + i] for j in (-1, 0, 1) for i in (-1, 0, 1)])
    clear: NDArray[np.bool_] = (
        seen & (block.max(axis=0) > reach_mm - slack_mm) & (np.median(block, axis=0) > reach_mm - slack_mm - 1.0)
    )
    return clear


def _toes(coupon: Coupon, hits: Hits | None) -> dict[str, Any]:
    along = np.round(np.arange(0.0, coupon.bead.length_mm + 1e-9, TOE_STEP_MM), 6)
    lines: dict[str, Any] = {}
    for side, name in enumerate(SIDES[coupon.joint]):
        plate = name if coupon.joint == "tee" else "plate"
        at = coupon.bead.toe_at(side, along)
        camera_mm = coupon.poses[plate].to_camera(at)
        px = coupon.camera.project(camera_mm)
        visible = _clear(coupon, hits, px, np.linalg.norm(camera_mm, axis=1), 0.12)
        lines[name] = {
            "plate": plate,
            "along_mm": _r(along, 3),
            "across_mm": _r(at[:, 1], 4),
            "below_mm": _r(-at[:, 2], 4),
            "px": _r(px, 2),
            "visible": visible.astype(int).tolist(),
        }
    return lines


def _stations(coupon: Coupon) -> dict[str, Any]:
    bead = coupon.bead
    along = np.round(np.arange(0.0, bead.length_mm + 1e-9, STATION_STEP_MM), 6)
    toes = [np.interp(along, bead.along_mm, bead.across_mm[side]) for side in (0, 1)]
    hump = np.interp(along, bead.along_mm, bead.hump_mm)
    result: dict[str, Any] = {"along_mm": _r(along, 3)}
    if coupon.joint == "tee":
        angle = np.radians(coupon.plate_angle_deg)
        chord = np.sqrt(toes[0] ** 2 + toes[1] ** 2 - 2.0 * toes[0] * toes[1] * np.cos(angle))
        result |= {"leg_base_mm": _r(toes[0], 4), "leg_standing_mm": _r(toes[1], 4)}
    else:
        chord = toes[1] - toes[0]
    result |= {"width_mm": _r(chord, 4), "convexity_mm": _r(hump, 4)}
    return result


def _particles(coupon: Coupon, hits: Hits | None, assembly: Assembly | None) -> list[dict[str, Any]]:
    shown = np.zeros(len(coupon.particles), int)
    if hits is not None and assembly is not None and coupon.particles:
        stuck = hits.shape == MESHES.index("particles")
        shown = np.bincount(assembly.particle_of_face[hits.triangle[stuck]], minlength=len(coupon.particles))
    found = []
    for number, p in enumerate(coupon.particles):
        point = coupon.poses[p.plate].to_camera(np.array([[p.along_mm, p.across_mm, 0.0]]))
        px = coupon.camera.project(point)
        hidden = any(s.plate == p.plate and under_strip(s, p.along_mm, p.across_mm, 0.0) for s in coupon.placements)
        scale = coupon.camera.focal_px / float(point[0, 2])
        visible = bool(coupon.camera.contains(px)[0]) and not hidden
        if hits is not None:
            visible = visible and shown[number] >= 0.3 * 0.785 * (p.diameter_mm * scale) ** 2 * 0.6
        found.append(
            {
                "kind": p.kind,
                "plate": p.plate,
                "along_mm": round(p.along_mm, 3),
                "across_mm": round(p.across_mm, 3),
                "px": _r(px[0], 2),
                "diameter_mm": round(p.diameter_mm, 3),
                "height_mm": round(p.height_mm, 3),
                "tailed": p.tail_ratio > 0.0,
                **({"older": True} if p.older else {}),
                "shown_px": int(shown[number]),
                "visible": bool(visible),
            }
        )
    return found


def _strips(coupon: Coupon) -> list[dict[str, Any]]:
    found = []
    for placement in coupon.placements:
        view = strip_view(placement, coupon.camera, coupon.poses)
        outline = placement.on_plate(placement.board.outline_mm())
        outline_px = coupon.camera.project(coupon.poses[placement.plate].to_camera(outline))
        found.append(
            {
                "name": placement.board.name,
                "plate": placement.plate,
                "thickness_mm": placement.thickness_mm,
                "lift_mm": round(placement.lift_mm, 4),
                "curl_mm": round(placement.curl_mm, 4),
                "along_mm": round(placement.along_mm, 4),
                "across_mm": round(placement.across_mm, 4),
                "turn_deg": round(placement.turn_deg, 4),
                "outline_px": _r(outline_px, 3),
                "corners_px": _r(view.corners_px, 3),
            }
        )
    return found


def truth(coupon: Coupon, hits: Hits | None = None, assembly: Assembly | None = None) -> dict[str, Any]:
    """Everything known about a coupon's photo.

    Parameters
    ----------
    coupon : Coupon
        The coupon.
    hits, assembly : Hits, Assembly, optional
        What each pixel shows; without them visibility knows the frame and the strips only.

    Returns
    -------
    dict
        As `truth.schema.json` describes it.
    """
    camera, bead, settings = coupon.camera, coupon.bead, coupon.settings
    return {
        "format": FORMAT,
        "version": 1,
        "seed": coupon.seed,
        "invented": "a rendered coupon; every number in it is made up",
        "process": coupon.process,
        "joint": coupon.joint,
        "fault": coupon.fault,
        "hard": coupon.hard,
        "travel": "right" if bead.to_right else "left",
        "settings": {
            "wire_mm": settings.wire_mm,
            "feed_m_per_min": round(settings.feed_m_per_min, 3),
            "volts": round(settings.volts, 2),
            "amps": round(settings.amps, 1),
            "ctwd_mm": round(settings.ctwd_mm, 2),
            "travel_mm_per_min": round(settings.travel_mm_per_min, 1),
            "travel_cv_ratio": round(settings.travel_cv_ratio, 4),
            "work_angle_off_deg": round(settings.work_angle_off_deg, 2),
            "gas_ratio": round(settings.gas_ratio, 3),
            "electrode_positive": settings.electrode_positive,
            "dirt_ratio": round(settings.dirt_ratio, 3),
            "crater_fill_ratio": round(settings.crater_fill_ratio, 3),
        },
        "camera": {
            "width_px": camera.width_px,
            "height_px": camera.height_px,
            "focal_px": round(camera.focal_px, 4),
            "cx_px": round(camera.cx_px, 4),
            "cy_px": round(camera.cy_px, 4),
            "k1": camera.k1,
            "k2": camera.k2,
            "p1": camera.p1,
            "p2": camera.p2,
            "focal_35mm": coupon.focal_35mm_mm,
            "distance_mm": round(coupon.distance_mm, 3),
            "tilt_deg": round(coupon.tilt_deg, 3),
            "exif": coupon.exif,
        },
        "plate_angle_deg": round(coupon.plate_angle_deg, 4),
        "plates": [
            {
                "name": body.name,
                "finish": body.finish,
                "thickness_mm": round(body.thickness_mm, 3),
                "along_mm": _r(body.along_mm),
                "across_mm": _r(body.across_mm),
                "rotation": _r(coupon.poses[body.name].rotation, 9),
                "translation_mm": _r(coupon.poses[body.name].translation, 5),
            }
            for body in coupon.bodies
        ],
        "strips": _strips(coupon),
        "bead": {
            "length_mm": round(bead.length_mm, 4),
            "parts": [
                {"kind": p.kind, "from_mm": round(max(0.0, p.from_mm), 3),
                 "to_mm": round(min(bead.length_mm, p.to_mm), 3)}
                for p in bead.parts
            ],
            "toes": _toes(coupon, hits),
            "defects": [
                {
                    "kind": d.kind,
                    "toe": d.side,
                    "from_mm": round(max(0.0, d.from_mm), 3),
                    "to_mm": round(min(bead.length_mm, d.to_mm), 3),
                    "across_share": None if d.across_share is None else round(d.across_share, 4),
                    "depth_mm": None if d.depth_mm is None else round(d.depth_mm, 4),
                    "diameter_mm": None if d.diameter_mm is None else round(d.diameter_mm, 4),
                }
                for d in bead.defects
            ],
            "slag_share": round(float((assembly.slag > 0.5).mean()), 4) if assembly is not None else None,
        },
        "stations": _stations(coupon),
        "particles": _particles(coupon, hits, assembly),
        "distractors": [
            {
                "kind": d.kind,
                "plate": d.plate,
                "along_mm": round(d.along_mm, 3),
                "across_mm": round(d.across_mm, 3),
                "size_mm": round(d.size_mm, 3),
                "px": _r(
                    camera.project(coupon.poses[d.plate].to_camera(np.array([d.along_mm, d.across_mm, 0.0]))), 2
                ),
            }
            for d in coupon.distractors
        ],
    }  # fmt: skip
