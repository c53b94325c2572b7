"""An inspection as the contract's JSON object, and the check of such an object against the schema that the package ships."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import jsonschema
import numpy as np

from toeline.quantity import Measured
from toeline.scale.rays import tilt_deg
from toeline.spatter.catalogue import side_by_side, size_distribution
from toeline.spatter.result import Spatter

if TYPE_CHECKING:
    from toeline.inspection import Inspection

FORMAT = "toeline-inspection"
VERSION = 1


def as_record(found: Inspection) -> dict[str, Any]:
    """The JSON object of one inspection; numbers are rounded to what they mean (px to 0.01, mm to 0.001)."""
    from toeline.inspection import METHOD

    photo, coupon = found.photo, found.coupon
    told = found.refused is None
    diagnosis = found.diagnosis.causes if told and found.diagnosis else ()
    record: dict[str, Any] = _clean(
        {
            "format": FORMAT,
            "version": VERSION,
            "method": dict(METHOD),
            "photo": {
                "name": photo.name,
                "sha256": photo.sha256,
                "width_px": photo.width_px,
                "height_px": photo.height_px,
                "taken_at": photo.taken_at,
                "camera": {name: getattr(photo.camera, name) for name in photo.camera.__slots__},
            },
            "process": coupon.process,
            "joint": coupon.joint,
            "position": coupon.position,
            "coupon": {
                "plate_thickness_mm": coupon.plate_thickness_mm,
                "target_leg_mm": coupon.target_leg_mm,
                "target_width_mm": coupon.target_width_mm,
                "travel": coupon.heading,
                "plate_before": coupon.plate_before,
                "plate_now": coupon.plate_now,
                "root_gap_mm": coupon.root_gap_mm,
                "settings": dict(coupon.settings),
                "gauge": dict(coupon.gauge),
                "test": coupon.test,
                "test_result": coupon.test_result,
                "observed": list(coupon.observed),
                "not_observed": list(coupon.not_observed),
            },
            "refused": None
            if found.refused is None
            else {"reason": found.refused.reason, "message": found.refused.message, "advice": found.refused.advice},
            "flags": [flag.as_dict() for flag in found.flags],
            "scale": _scale(found),
            "bead": _bead(found) if told else None,
            "stations": _stations(found) if told else None,
            "measures": {key: value.as_dict() for key, value in found.size.measures.items()} if told and found.size else {},
            "surface": [_fields(sign) for sign in found.surface] if told else [],
            "spatter": _spatter(found) if told else None,
            "verdicts": [_fields(verdict) for verdict in found.verdicts] if told else [],
            "causes": [_fields(cause) for cause in diagnosis],
            "advice": None
            if not (told and found.diagnosis)
            else {
                "next_change": found.diagnosis.next_change,
                "first": found.diagnosis.first,
                "tell_apart": found.diagnosis.tell_apart,
                "notes": list(found.diagnosis.notes),
                "signs": dict(found.diagnosis.signs),
                "quantities": dict(found.diagnosis.quantities),
                "lessons": list(found.diagnosis.lessons),
            },
            "travel": _travel(found) if told else None,
            "after": {"record": found.history[-1].record, "changed": found.history[-1].change} if found.history else None,
            "seconds": dict(found.seconds),
        }
    )
    return record


def each_photo(photos: Sequence[Inspection], used: Sequence[bool]) -> list[dict[str, Any]]:
    """What each of several photos of one coupon says by itself."""
    rows = []
    for one, counts in zip(photos, used, strict=True):
        measures = one.size.measures if one.refused is None and one.size else {}
        row = {
            "name": one.photo.name,
            "sha256": one.photo.sha256,
            "used": counts,
            "refused": None if one.refused is None else _fields(one.refused),
            "flags": [flag.as_dict() for flag in one.flags],
            "measures": {key: {"value": value.value, "u": value.u} for key, value in measures.items()},
        }
        rows.append(row)
    return list(_clean(rows))


@cache
def schema() -> Mapping[str, Any]:
    """The JSON Schema of a result."""
    return json.loads(files("toeline").joinpath("report/schema.json").read_text(encoding="utf-8"))  # type: ignore[no-any-return]


def check_record(record: Mapping[str, Any]) -> None:
    """Raise ``jsonschema.ValidationError`` where an object breaks the contract."""
    jsonschema.Draft202012Validator(dict(schema())).validate(record)


def _scale(found: Inspection) -> dict[str, Any] | None:
    scale = found.scale
    if scale is None:
        return None
    none = scale.source == "none"
    return {
        "source": scale.source,
        "px_per_mm": None if none else {"value": scale.px_per_mm.value, "u": scale.px_per_mm.u},
        "tilt_deg": _tilt(found),
        "focal_px": scale.lens.focal_px if scale.source == "strips" else None,
        "plate_angle_deg": None
        if scale.plate_angle_deg is None
        else {"value": scale.plate_angle_deg.value, "u": scale.plate_angle_deg.u},
        "joint_line_px": scale.joint_line_px,
        "plates": []
        if none
        else [
            {"name": p.name, "strips": list(p.strips), "n_corners": p.n_corners, "residual_px": p.residual_px}
            for p in scale.plates
        ],
    }


def _tilt(found: Inspection) -> float | None:
    """Tilt at mid-bead, or in the middle of the first plate's strips where no bead was found."""
    scale, bead = found.scale, found.bead
    if scale is None or scale.source != "strips":
        return None
    plate = scale.plates[0]
    if bead is not None:
        points = next((bead.plate_points_mm[n] for n, t in bead.toes.items() if t.plate == plate.name), None)
        if points is not None:
            return tilt_deg(scale, plate.name, (float(points[len(points) // 2, 0]), float(points[len(points) // 2, 1])))
    middle = next(iter(plate.strip_outlines_mm.values())).mean(axis=0)
    return tilt_deg(scale, plate.name, (float(middle[0]), float(middle[1])))


def _bead(found: Inspection) -> dict[str, Any] | None:
    bead = found.bead
    if bead is None:
        return None
    return {
        "confidence": bead.confidence,
        "toes_px": {name: toe.photo_px for name, toe in bead.toes.items()},
        "toes_seen": {name: toe.seen for name, toe in bead.toes.items()},
        "start_px": bead.start_px,
        "end_px": bead.end_px,
        "anchors": [{"toe": name, "x_px": x, "y_px": y} for name, x, y in bead.anchors],
        "box_px": bead.box_px,
        "bead_px": bead.bead_px,
        "moved_mm": dict(bead.moved_mm),
        "others_px": list(bead.others_px),
        "parts": [_fields(part) for part in bead.parts],
    }


def _stations(found: Inspection) -> dict[str, Any] | None:
    if found.size is None or (found.scale is not None and found.scale.source == "none"):
        return None
    return _fields(found.size.stations)


def _travel(found: Inspection) -> dict[str, Any] | None:
    travel = found.diagnosis.travel if found.diagnosis else None
    if travel is None or (found.scale is not None and found.scale.source == "none"):
        return None
    mean = travel.mean_mm_per_min
    return {
        "along_mm": travel.along_mm,
        "speed_ratio": travel.speed_ratio,
        "mean_mm_per_min": None if mean is None else {"value": mean.value, "u": mean.u},
    }


def _sides(spatter: Spatter) -> dict[str, Any] | None:
    told = side_by_side(spatter.side_bands)
    return None if told is None else {"first": told[0], "second": told[1], **_fields(told[2])}


def _spatter(found: Inspection) -> dict[str, Any] | None:
    spatter = found.spatter
    if spatter is None:
        return None
    return {
        "n": spatter.n,
        "area_cm2": spatter.area_cm2,
        "density_per_cm2": None if spatter.density_per_cm2 is None else _fields(spatter.density_per_cm2),
        "n_on_plate": None if spatter.n_on_plate is None else _fields(spatter.n_on_plate),
        "per_100mm": None if spatter.per_100mm is None else _fields(spatter.per_100mm),
        "per_gram": None if spatter.per_gram is None else _fields(spatter.per_gram),
        "bands": [_fields(band) for band in spatter.bands],
        "sides": _sides(spatter),
        "thirds": [_fields(third) for third in spatter.thirds],
        "sizes": [{"from_mm": low, "to_mm": high, "n": n} for low, high, n in size_distribution(spatter.particles)],
        "particles": [_fields(particle) for particle in spatter.particles],
        "doubtful": [_fields(particle) for particle in spatter.doubtful],
        "before": None if spatter.before is None else _fields(spatter.before),
        "corrections": [_fields(correction) for correction in spatter.corrections],
        "n_photos": spatter.n_photos,
        "at_least": spatter.at_least,
    }


def _fields(thing: Any) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for name in thing.__slots__:
        value = getattr(thing, name)
        out[name] = _fields(value) if hasattr(value, "__slots__") and not isinstance(value, Measured) else value
    return out


def _clean(value: Any, key: str = "") -> Any:
    """Plain JSON values: arrays as lists, not-a-number as null, numbers rounded to what they mean."""
    if isinstance(value, Mapping):
        return {str(k): _clean(v, str(k)) for k, v in value.items()}
    if isinstance(value, np.ndarray):
        return _clean(value.tolist(), key)
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        number = float(value)
        if not math.isfinite(number):
            return None
        return (
            round(number, 2)
            if key.endswith("_px") or key in ("toes_px", "base", "standing", "left", "right")
            else round(number, 5)
        )
    if isinstance(value, str) or value is None:
        return value
    if isinstance(value, Iterable):
        return [_clean(v, key) for v in value]
    raise TypeError(f"cannot put {type(value).__name__} into a record")
