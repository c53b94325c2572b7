"""Scale without a strip: two points on a rule, a given number, or none at all.

No tilt is known then, so it is never corrected.
"""

from __future__ import annotations

from math import hypot
from types import MappingProxyType

import numpy as np

from toeline.coupon import Scaling
from toeline.errors import BadUsage
from toeline.flags import Flag
from toeline.photo.result import Photo
from toeline.quantity import Measured
from toeline.scale.solution import Lens, PlateFit, Scale

TILT_U_RATIO = 0.03
"""A plate tilted by 20° reads 6 % short; what goes unseen in a careful straight look (own judgement) [ratio]."""
RULE_END_U_PX = 1.5
"""How well a hand puts a point on a mark of the rule (own judgement) [px]."""


def manual_scale(photo: Photo, scaling: Scaling) -> Scale | None:
    """The scale that a person gave; None when strips are to be looked for.

    Raises
    ------
    BadUsage
        A rule without its length, points on top of each other, or a number that can't be.
    """
    if scaling.unscaled:
        return _facing(photo, Measured(1.0), "none", (Flag("unscaled"),))
    if scaling.rule_px is not None or scaling.rule_mm is not None:
        if scaling.rule_px is None or scaling.rule_mm is None:
            raise BadUsage("A rule needs two points in the photo and the length between them.", advice="Give both.")
        (x0, y0), (x1, y1) = scaling.rule_px
        length_px = hypot(x1 - x0, y1 - y0)
        if scaling.rule_mm <= 0 or length_px < 50:
            raise BadUsage(
                f"The rule's points are {length_px:.0f} px and {scaling.rule_mm:g} mm apart, too little to scale from.",
                advice="Choose two marks far apart, 100 mm or more.",
            )
        value = length_px / scaling.rule_mm
        shared = {"rule ends": value * RULE_END_U_PX * 2**0.5 / length_px, "tilt": value * TILT_U_RATIO}
        return _facing(photo, Measured(value, 0.0, shared), "rule", (Flag("scale-only"),))
    if scaling.px_per_mm is not None:
        if not 0.1 <= scaling.px_per_mm <= 1000:
            raise BadUsage(
                f"{scaling.px_per_mm:g} px per mm can't be right.", advice="Give the photo's pixels to the millimetre."
            )
        value = scaling.px_per_mm
        return _facing(photo, Measured(value, 0.0, {"tilt": value * TILT_U_RATIO}), "given", (Flag("scale-only"),))
    return None


def _facing(photo: Photo, px_per_mm: Measured, source: str, flags: tuple[Flag, ...]) -> Scale:
    """A plate that faces the phone squarely, so that photo and plate differ by one factor; origin at the top left pixel.

    A wrong factor is a plate nearer or further away: that motion is each source's effect.
    """
    focal = float(max(photo.width_px, photo.height_px))
    lens = Lens(focal, (photo.width_px - 1) / 2, (photo.height_px - 1) / 2)
    corner = np.array([-lens.centre_x_px, -lens.centre_y_px, focal]) / px_per_mm.value
    plate = PlateFit("plate", np.diag([1.0, -1.0, -1.0]), corner, (), MappingProxyType({}), 0, 0.0)
    effects = {}
    for name, change in px_per_mm.shared.items():
        away = -corner * change / px_per_mm.value
        effects[name] = MappingProxyType({"plate": np.concatenate([np.zeros(3), away])})
    nothing = MappingProxyType({name: np.zeros(7) for name in effects})
    return Scale(source, lens, (plate,), px_per_mm, None, MappingProxyType(effects), nothing, flags)
