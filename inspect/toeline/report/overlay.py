"""The photo with what was found drawn on it: toe lines, bridged stretches, parts, spatter, signs, strips. Drawing never measures."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from toeline.causes.signs import WHOLE
from toeline.inspection import Inspection
from toeline.report.look import INK, PAPER, SPATTER, TOE_COLOURS, WARN, font
from toeline.scale.rays import to_photo_px

Picture = NDArray[np.uint8]
Box = tuple[float, float, float, float]


def overlay_picture(found: Inspection, *, max_px: int = 2000, spatter: bool = True, letters_px: float | None = None) -> Picture:
    """Draw an inspection on its photo.

    Parameters
    ----------
    found : Inspection
    max_px : int
        Long side of the picture returned [px].
    spatter : bool
        Ring the particles.
    letters_px : float, optional
        Height of letters; a hundredth of the picture's long side by default [px].

    Returns
    -------
    ndarray of uint8, shape (h, w, 3)
        A new picture; the photo is untouched.
    """
    photo = found.photo
    zoom = min(1.0, max_px / max(photo.width_px, photo.height_px))
    size = (max(1, round(photo.width_px * zoom)), max(1, round(photo.height_px * zoom)))
    base = cv2.resize(photo.pixels, size, interpolation=cv2.INTER_AREA) if zoom < 1 else photo.pixels
    image = Image.fromarray(base)
    draw = ImageDraw.Draw(image)
    width = max(2, round(max(size) / 700))
    words = _Words(draw, 7.0 * width if letters_px is None else letters_px)

    def at(points: object) -> list[tuple[float, float]]:
        scaled = (np.asarray(points, dtype=float).reshape(-1, 2) + 0.5) * zoom - 0.5
        return [(float(x), float(y)) for x, y in scaled]

    _draw_strips(found, draw, at, width, words)
    if found.refused is None and found.bead is not None:
        _draw_others(found, draw, at, width, words)
        _draw_toes(found, draw, at, width, words)
        _draw_parts(found, draw, at, width, words)
        if spatter and found.spatter is not None:
            _draw_spatter(found, draw, at, zoom, width)
        _draw_signs(found, draw, at, width, words)
    elif found.refused is not None:
        words.write((size[0] / 50, size[1] / 50), "not measured")
    words.draw_all()
    return np.asarray(image)


def _draw_strips(  # type: ignore[no-untyped-def]
    found: Inspection, draw: ImageDraw.ImageDraw, at, width: int, words: _Words
) -> None:
    if found.scale is None:
        return
    for plate in found.scale.plates:
        for letter, outline in plate.strip_outlines_mm.items():
            corners = at(to_photo_px(found.scale, plate.name, outline))
            draw.line([*corners, corners[0]], fill=PAPER, width=width)
            words.write(corners[0], f"strip {letter}")
    if found.scale.joint_line_px is not None:
        left, right = at(found.scale.joint_line_px)
        run = np.subtract(right, left) / 30.0
        for end in (left, right):
            draw.line([tuple(end - run), tuple(end + run)], fill=PAPER, width=width)


def _draw_others(  # type: ignore[no-untyped-def]
    found: Inspection, draw: ImageDraw.ImageDraw, at, width: int, words: _Words
) -> None:
    """The middle line of every other bead that might be meant, with its number."""
    assert found.bead is not None
    for number, line in enumerate(found.bead.others_px, start=2):
        points = at(line)
        draw.line(points, fill=PAPER, width=width, joint="curve")
        words.write(points[len(points) // 2], f"bead {number}")


def _draw_toes(  # type: ignore[no-untyped-def]
    found: Inspection, draw: ImageDraw.ImageDraw, at, width: int, words: _Words
) -> None:
    assert found.bead is not None
    for (name, toe), colour in zip(found.bead.toes.items(), TOE_COLOURS, strict=False):
        points = at(toe.photo_px)
        draw.line(points, fill=INK, width=width + 2, joint="curve")
        for i in range(len(points) - 1):
            if toe.seen[i] and toe.seen[i + 1]:
                draw.line(points[i : i + 2], fill=colour, width=width)
            elif i % 4 < 2:
                draw.line(points[i : i + 2], fill=WARN, width=width)
        words.write(points[len(points) // 12], f"{name} toe")
    for _, x, y in found.bead.anchors:
        (cx, cy) = at((x, y))[0]
        r = 4 * width
        draw.rectangle((cx - r, cy - r, cx + r, cy + r), outline=WARN, width=width)
    if found.bead.box_px is not None:
        x0, y0, x1, y1 = found.bead.box_px
        draw.rectangle((*at((x0, y0))[0], *at((x1, y1))[0]), outline=WARN, width=width)


def _draw_parts(  # type: ignore[no-untyped-def]
    found: Inspection, draw: ImageDraw.ImageDraw, at, width: int, words: _Words
) -> None:
    """A short bar across the bead where its steady part begins and ends."""
    assert found.bead is not None
    first, second = list(found.bead.toes.values())[:2]
    for part in found.bead.parts:
        if part.kind == "steady":
            for mm in (part.from_mm, part.to_mm):
                i = int(np.argmin(np.abs(found.bead.along_mm - mm)))
                draw.line([*at(first.photo_px[i]), *at(second.photo_px[i])], fill=PAPER, width=width)
        elif part.kind in ("restart", "crater", "tack", "start"):
            i = int(np.argmin(np.abs(found.bead.along_mm - (part.from_mm + part.to_mm) / 2)))
            middle = (first.photo_px[i] + second.photo_px[i]) / 2
            words.write(at(middle)[0], part.kind)


def _draw_spatter(found: Inspection, draw: ImageDraw.ImageDraw, at, zoom: float, width: int) -> None:  # type: ignore[no-untyped-def]
    assert found.spatter is not None and found.scale is not None
    for particle in found.spatter.particles:
        (cx, cy) = at((particle.x_px, particle.y_px))[0]
        r = max(particle.diameter_mm * found.scale.px_per_mm.value * zoom / 2 + 2 * width, 3 * width)
        draw.ellipse((cx - r, cy - r, cx + r, cy + r), outline=SPATTER, width=max(1, width - 1))


def _draw_signs(  # type: ignore[no-untyped-def]
    found: Inspection, draw: ImageDraw.ImageDraw, at, width: int, words: _Words
) -> None:
    for sign in found.surface:
        if sign.probability >= 0.5 and sign.sign not in WHOLE and (sign.x_px or sign.y_px):
            (cx, cy) = at((sign.x_px, sign.y_px))[0]
            r = 6 * width
            draw.rectangle((cx - r, cy - r, cx + r, cy + r), outline=WARN, width=width)
            words.write((cx + r, cy - r), f"{sign.sign}?")


class _Words:
    """Dark words on a light ground, each up and to the right of its place, inside the picture and clear of those placed before; drawn last."""

    def __init__(self, draw: ImageDraw.ImageDraw, letters_px: float) -> None:
        self.draw = draw
        self.face: ImageFont.ImageFont | ImageFont.FreeTypeFont = font(round(letters_px))
        self.rim = letters_px / 7
        self.taken: list[Box] = []
        self.listed: list[tuple[Box, tuple[float, float], str]] = []

    def write(self, where: tuple[float, float], text: str) -> None:
        rim = self.rim
        left, top, right, bottom = self.draw.textbbox((0, 0), text, font=self.face)
        wide, high = self.draw.im.size
        x = min(max(where[0] + 3 * rim, rim - left), wide - right - rim)
        line = bottom - top + 3 * rim
        for step in sorted(range(-6, 7), key=lambda n: (abs(n), n)):  # the nearest free line, above before below
            y = min(max(where[1] - 10 * rim + step * line, rim - top), high - bottom - rim)
            box = (x + left - rim, y + top - rim, x + right + rim, y + bottom + rim)
            if not any(_overlap(box, other) for other in self.taken):
                break
        self.taken.append(box)
        self.listed.append((box, (x, y), text))

    def draw_all(self) -> None:
        """Draw what was placed, on top of every line."""
        for box, at, text in self.listed:
            self.draw.rectangle(box, fill=PAPER)
            self.draw.text(at, text, fill=INK, font=self.face)


def _overlap(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
