"""Small made-up pictures of plate with droplets and with things that are not droplets: quick to make, many kinds of light.

A height map is lit by a lamp, by the sky's bright side and by mirror-like lobes; droplets cast shadows; dirt and marks change colour
only; water lets the plate show through. Nothing here is path-traced: it is meant to teach a small network what stands up and what is flat.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SUNNY_SHARE = 0.25
"""Of plates that lie in hard, low sun."""
SPLASHED_SHARE = 0.3
"""Of droplets that are out of round."""
WET_SHARE = 0.25
"""Of plates with water drops."""


@dataclass(frozen=True, slots=True, eq=False)
class PlatePicture:
    """A picture, red first, shape (h, w, 3), its droplets as rows of x, y, diameter [px], shape (n, 3), and its drops of water likewise."""

    rgb: NDArray[np.uint8]
    droplets: Array
    water: Array


def _noise(rng: np.random.Generator, side: int, scale_px: float, *, along: float = 1.0) -> Array:
    """Smooth noise of unit variance; `along` stretches it in x."""
    fine = max(1.0, scale_px / 3.0)
    h, w = int(side / fine) + 3, int(side / (fine * along)) + 3
    small = rng.normal(size=(max(h, 3), max(w, 3))).astype(np.float32)
    big = cv2.resize(cv2.GaussianBlur(small, (0, 0), 1.5), (side, side), interpolation=cv2.INTER_CUBIC)
    return (big - big.mean()) / (big.std() + 1e-6)


def _turned(rng: np.random.Generator, side: int, scale_px: float, along: float, angle_deg: float) -> Array:
    wide = int(side * 1.5)
    picture = _noise(rng, wide, scale_px, along=along)
    way = cv2.getRotationMatrix2D((wide / 2, wide / 2), angle_deg, 1.0)
    start = (wide - side) // 2
    return cv2.warpAffine(picture, way, (wide, wide), borderMode=cv2.BORDER_REFLECT)[start : start + side, start : start + side]


class _Plate:
    """The plate while it is being made: height, colour, gloss, what is droplet and what is water."""

    def __init__(self, rng: np.random.Generator, side: int) -> None:
        self.rng, self.side = rng, side
        self.height = np.zeros((side, side))
        self.metal = np.zeros((side, side))
        self.droplets: list[tuple[float, float, float]] = []
        self.wet: list[tuple[float, float, float]] = []
        r = rng.random
        tone = rng.uniform(0.08, 0.6)
        warm = rng.normal(0, 0.06) + (0.08 if r() < 0.35 else 0.0)
        self.colour = np.empty((side, side, 3))
        self.colour[:] = tone * np.array([1 + warm, 1.0, 1 - warm])
        blotch = rng.uniform(0.02, 0.2) * _noise(rng, side, rng.uniform(40, 200)) + rng.uniform(0, 0.1) * _noise(
            rng, side, rng.uniform(6, 25)
        )
        self.colour *= np.exp(blotch)[..., None]
        tint = _noise(rng, side, rng.uniform(60, 300))
        self.colour *= np.exp(rng.uniform(0, 0.12) * tint[..., None] * rng.normal(size=3))
        if r() < 0.6:
            strokes = _turned(rng, side, rng.uniform(1.5, 4), rng.uniform(10, 60), rng.uniform(0, 180))
            self.colour *= np.exp(rng.uniform(0.01, 0.15) * strokes)[..., None]
        if r() < 0.5:
            grain = rng.uniform(0.02, 0.2) * _noise(rng, side, rng.uniform(1.5, 5))
            self.colour *= np.exp(grain)[..., None]
            self.height += rng.uniform(0, 0.4) * grain * 3

    def window(self, x: float, y: float, reach: float) -> tuple[slice, slice, Array, Array]:
        x0, x1 = max(0, int(x - reach)), min(self.side, int(x + reach) + 2)
        y0, y1 = max(0, int(y - reach)), min(self.side, int(y + reach) + 2)
        yy, xx = np.mgrid[y0:y1, x0:x1]
        return slice(y0, y1), slice(x0, x1), xx - x, yy - y

    def outline(self, dx: Array, dy: Array, wild: float, stretch: float, tail: float) -> tuple[Array, float]:
        """Radius coordinate (1 on the outline) for a unit radius in px, and the outline's area over pi."""
        rng = self.rng
        turn = rng.uniform(0, 2 * np.pi)
        c, s = np.cos(turn), np.sin(turn)
        terms = [(k, wild / (k - 1) * rng.normal(), rng.uniform(0, 6.28)) for k in range(2, 7)]

        def edge(angle: Array) -> Array:
            reach = np.ones_like(angle)
            for k, size, phase in terms:
                reach = reach + size * np.cos(k * angle + phase)
            reach = np.clip(reach, 0.5, 1.6)
            return reach + tail * np.clip(np.cos(angle), 0, None) ** 10

        round_ = np.linspace(0, 2 * np.pi, 256, endpoint=False)
        area = float(0.5 * np.mean(edge(round_) ** 2) * 2)
        u, v = (c * dx + s * dy) / np.sqrt(stretch), (-s * dx + c * dy) * np.sqrt(stretch)
        return np.hypot(u, v) / edge(np.arctan2(v, u)), area

    def droplet(self, x: float, y: float, diameter: float) -> None:
        rng = self.rng
        for ox, oy, od in self.droplets:
            if np.hypot(ox - x, oy - y) < 0.5 * (od + diameter) * 0.93:
                return
        wild, stretch = 0.06, 1 + abs(rng.normal(0, 0.18))
        if rng.random() < SPLASHED_SHARE:
            wild, stretch = rng.uniform(0.08, 0.22), 1 + abs(rng.normal(0, 0.5))
        tail = rng.uniform(0.5, 1.6) if rng.random() < 0.08 else 0.0
        ys, xs, dx, dy = self.window(x, y, 2.2 * diameter)
        unit = 0.5 * diameter
        state = rng.bit_generator.state
        _, area = self.outline(dx, dy, wild, stretch, tail)
        rng.bit_generator.state = state
        radius, _ = self.outline(dx / (unit / np.sqrt(area)), dy / (unit / np.sqrt(area)), wild, stretch, tail)
        cover = np.clip((1 - radius) * unit + 0.5, 0, 1)
        contact = np.deg2rad(rng.uniform(35, 120))
        steep = min(contact, np.deg2rad(88))
        bowl = unit / np.sin(steep)
        cap = np.sqrt(np.clip(bowl**2 - (np.clip(radius, 0, 1) * unit) ** 2, 0, None)) - bowl * np.cos(steep)
        cap *= 1.0 if contact < np.deg2rad(88) else rng.uniform(1.0, 1.6)
        self.height[ys, xs] = np.maximum(self.height[ys, xs], np.where(radius < 1, cap, -1e3))
        self.metal[ys, xs] = np.maximum(self.metal[ys, xs], cover)
        own = self.plate_tone * np.exp(rng.normal(0, 0.3)) if rng.random() < 0.7 else rng.uniform(0.05, 0.5)
        hue = 1 + 0.05 * rng.normal(size=3) + (rng.uniform(0, 0.25) * np.array([1, 0.2, -1]) if rng.random() < 0.3 else 0)
        self.colour[ys, xs] = self.colour[ys, xs] * (1 - cover[..., None]) + cover[..., None] * own * hue
        if rng.random() < 0.5:  # heat halo and dirt about its foot
            halo = np.exp(-(np.clip(radius - 1, 0, None) ** 2) / (2 * rng.uniform(0.15, 0.7) ** 2)) * (1 - cover)
            self.colour[ys, xs] *= 1 - halo[..., None] * rng.uniform(-0.15, 0.5) * (1 + 0.2 * rng.normal(size=3))
        self.droplets.append((x, y, diameter))

    @property
    def plate_tone(self) -> float:
        return float(np.median(self.colour[::16, ::16]))

    def flat(self, x: float, y: float, size: float) -> None:
        """A stain, ring, rust speck, paint dot, soft blotch, dried bubble or flake of scale."""
        rng = self.rng
        kind = rng.choice(["rust", "stain", "ring", "paint", "soft", "bubble", "flake"])
        ys, xs, dx, dy = self.window(x, y, 1.6 * size)
        unit = 0.5 * size
        radius, _ = self.outline(
            dx / unit,
            dy / unit,
            {"rust": 0.22, "stain": 0.06, "ring": 0.04, "paint": 0.08, "soft": 0.2, "bubble": 0.03, "flake": 0.3}[kind],
            1 + abs(rng.normal(0, 0.1 if kind == "bubble" else 0.3)),
            0.0,
        )
        soft = {"rust": 0.3, "stain": 0.15, "ring": 0.1, "paint": 0.05, "soft": 0.6, "bubble": 0.3, "flake": 0.02}[kind]
        cover = np.clip((1 - radius) / max(soft, 1 / unit) + 0.5, 0, 1)
        if kind == "ring":
            cover = cover * (0.35 + 0.65 * np.exp(-((radius - 0.85) ** 2) / 0.03))
        if kind == "bubble":  # darker, most at its rim, often lighter in the middle
            dark = rng.uniform(0.1, 0.45) * cover * (0.5 + 0.5 * np.exp(-((radius - 0.8) ** 2) / 0.08))
            light = rng.uniform(0.0, 0.5) * np.exp(-((radius / 0.45) ** 2)) * (rng.random() < 0.6)
            self.colour[ys, xs] *= ((1 - dark) * (1 + light))[..., None]
            return
        amount = rng.uniform(0.15, 0.95)
        cover = (cover * amount)[..., None]
        if kind == "rust":
            cover = cover * np.clip(0.6 + 0.5 * rng.normal(size=(*radius.shape, 1)), 0, 1)
            new = rng.uniform(0.1, 0.4) * np.array([1.0, rng.uniform(0.4, 0.7), rng.uniform(0.15, 0.45)])
        elif kind == "paint":
            new = rng.uniform(0.3, 0.9) * (np.ones(3) if rng.random() < 0.5 else rng.uniform(0.2, 1, 3))
        else:
            new = self.plate_tone * np.exp(rng.normal(0, 0.7)) * (1 + 0.1 * rng.normal(size=3))
        self.colour[ys, xs] = self.colour[ys, xs] * (1 - cover) + cover * new

    def pit(self, x: float, y: float, size: float) -> None:
        ys, xs, dx, dy = self.window(x, y, 1.2 * size)
        radius, _ = self.outline(dx / (0.5 * size), dy / (0.5 * size), 0.12, 1 + abs(self.rng.normal(0, 0.2)), 0.0)
        deep = np.clip(1 - radius**2, 0, 1) * size * self.rng.uniform(0.1, 0.45)
        self.height[ys, xs] -= deep
        self.colour[ys, xs] *= 1 - 0.6 * self.rng.random() * np.clip(1 - radius**2, 0, 1)[..., None]

    def crumb(self, x: float, y: float, size: float) -> None:
        """A crumb of slag: dull, angular, ragged."""
        rng = self.rng
        ys, xs, dx, dy = self.window(x, y, 1.3 * size)
        radius, _ = self.outline(dx / (0.5 * size), dy / (0.5 * size), 0.28, 1 + abs(rng.normal(0, 0.5)), 0.0)
        rough = rng.normal(0, 0.12, radius.shape)
        cap = np.where(radius < 1, size * (rng.uniform(0.1, 0.3) + cv2.GaussianBlur(rough, (0, 0), max(0.8, size / 9))), 0)
        self.height[ys, xs] = np.where(radius < 1, np.maximum(self.height[ys, xs], cap), self.height[ys, xs])
        cover = np.clip((1 - radius) * size / 2 + 0.5, 0, 1)[..., None]
        new = rng.uniform(0.04, 0.35) * np.array([1.0, rng.uniform(0.75, 1), rng.uniform(0.5, 1)])
        self.colour[ys, xs] = self.colour[ys, xs] * (1 - cover) + cover * new

    def stroke(self, length: float) -> None:
        """A scratch, fibre, chalk or pen stroke."""
        rng = self.rng
        x, y, turn = rng.uniform(0, self.side), rng.uniform(0, self.side), rng.uniform(0, 2 * np.pi)
        n = 12
        bend = np.cumsum(rng.normal(0, rng.choice([0.01, 0.25]), n))
        points = np.cumsum(np.column_stack([np.cos(turn + bend), np.sin(turn + bend)]) * length / n, axis=0) + [x, y]
        layer = np.zeros((self.side, self.side), np.uint8)
        kind = rng.choice(["scratch", "scratch", "fibre", "chalk"])
        thick = {"scratch": 1, "fibre": 1, "chalk": int(rng.uniform(4, 14))}[kind]
        cv2.polylines(layer, [np.round(points * 8).astype(np.int32)], False, 255, thick, cv2.LINE_AA, 3)
        cover = layer[..., None] / 255.0 * rng.uniform(0.2, 1.0)
        if kind == "chalk":
            cover = cover * np.clip(0.5 + 0.7 * _noise(rng, self.side, 3.0)[..., None], 0, 1)
        new = (
            rng.uniform(0.5, 0.95)
            if kind == "chalk"
            else self.plate_tone * np.exp(rng.normal(0.4 if kind == "scratch" else -0.5, 0.6))
        )
        self.colour = self.colour * (1 - cover) + cover * new
        if kind == "scratch":
            self.height -= layer / 255.0 * rng.uniform(0, 0.8)

    def runs(self) -> None:
        """Drops that runs of water left behind them, in rows, one after the other."""
        rng, way = self.rng, self.rng.uniform(0, 2 * np.pi)
        size, gap = float(np.clip(rng.lognormal(2.2, 0.5), 4, 30)), rng.uniform(1.1, 3.5)
        for _ in range(int(rng.integers(1, 4))):
            x, y = rng.uniform(0, self.side, 2)
            for _ in range(int(rng.integers(5, 40))):
                if not (0 <= x < self.side and 0 <= y < self.side):
                    break
                self.wet.append((x, y, float(np.clip(size * np.exp(0.25 * rng.normal()), 4, 60))))
                step, bend = size * gap * np.exp(0.3 * rng.normal()), way + 0.1 * rng.normal()
                x, y = x + step * np.cos(bend), y + step * np.sin(bend)


def _shadow(height: Array, towards: Array, slope: float, reach: int) -> Array:
    """How far each point lies below the lamp's grazing ray, in px of height; towards = direction to the lamp in the picture."""
    over = np.full_like(height, -1e3)
    for step in np.unique(np.geomspace(1, reach, 22).round()):
        way = np.float32([[1, 0, -towards[0] * step], [0, 1, -towards[1] * step]])
        moved = cv2.warpAffine(height, way, height.shape[::-1], flags=cv2.INTER_LINEAR, borderValue=-1e3)
        over = np.maximum(over, moved - slope * step)
    return over - height


def _lit(rng: np.random.Generator, plate: _Plate) -> Array:
    """Linear light leaving the plate towards a camera straight above."""
    side = plate.side
    gy, gx = np.gradient(cv2.GaussianBlur(plate.height, (0, 0), 0.5))
    nz = 1 / np.sqrt(1 + gx**2 + gy**2)
    normal = np.stack([-gx * nz, -gy * nz, nz], axis=-1)
    sun = rng.random() < SUNNY_SHARE
    bearing, rise = rng.uniform(0, 2 * np.pi), np.deg2rad(rng.uniform(12, 35) if sun else rng.uniform(12, 75))
    lamp = np.array([np.cos(bearing) * np.cos(rise), np.sin(bearing) * np.cos(rise), np.sin(rise)])
    tan_rise = float(np.tan(rise))
    deep = _shadow(plate.height, lamp[:2] / np.linalg.norm(lamp[:2]), tan_rise, 48)
    shade = np.clip(deep / (0.5 if sun else rng.uniform(0.5, 4.0)), 0, 1) * (
        rng.uniform(0.9, 1.0) if sun else rng.uniform(0.2, 1.0)
    )
    direct = np.clip(normal @ lamp, 0, None) * (1 - shade)
    mirror = 2 * normal[..., 2:] * normal - np.array([0, 0, 1.0])
    other = rng.uniform(0, 2 * np.pi) if rng.random() < 0.4 else bearing + rng.normal(0, 0.5)
    sky_way = np.array([np.cos(other), np.sin(other), rng.uniform(0.0, 1.0)])
    sky_way /= np.linalg.norm(sky_way)
    sharp = rng.uniform(1.5, 8)
    sky = 1 / (1 + np.exp(-sharp * (mirror @ sky_way - rng.uniform(-0.2, 0.5))))
    lobes = np.zeros((side, side))
    for k in range(int(rng.integers(1, 4))):
        way = lamp if k == 0 else np.array([*rng.normal(0, 0.6, 2), 1.0])
        way = way / np.linalg.norm(way)
        gloss = np.exp(rng.uniform(np.log(8), np.log(400)))
        lobes += rng.uniform(0.1, 1.5) * np.clip(mirror @ way, 0, None) ** gloss
    ambient = (rng.uniform(0.03, 0.2) if sun else rng.uniform(0.1, 0.6)) * (0.4 + 0.6 * normal[..., 2])
    gloss_plate = rng.uniform(0.0, 0.5)
    mirror_share = gloss_plate * (1 - plate.metal) + rng.uniform(0.1, 0.9) * plate.metal
    body = plate.colour * (ambient + (rng.uniform(1.0, 2.5) if sun else rng.uniform(0.3, 1.2)) * direct)[..., None]
    glossy = (plate.colour * 0.6 + 0.15) * ((0.3 if sun else 1.0) * rng.uniform(0.2, 1.0) * sky + lobes * (1 - shade))[..., None]
    light = body + mirror_share[..., None] * glossy
    if plate.wet:
        light = _wetted(rng, plate, light, lamp)
    slow = np.exp(rng.uniform(0, 0.4) * _noise(rng, side, side * rng.uniform(0.3, 1.0)))
    return light * slow[..., None] * (1 + 0.06 * rng.normal(size=3))


def _wetted(rng: np.random.Generator, plate: _Plate, light: Array, lamp: Array) -> Array:
    """Water drops laid over the plate's light: the plate shows through, enlarged as by a lens; light gathers on the side away from
    the lamp, and the lamp glints on its own side."""
    towards = lamp[:2] / np.linalg.norm(lamp[:2])
    strong, dim = rng.uniform(0.2, 1.6), rng.uniform(0.1, 0.6)
    gleam, wide = rng.uniform(0.3, 3.0), rng.uniform(0.06, 0.2)
    done = light.copy()
    for x, y, size in plate.wet:
        if any(np.hypot(x - u, y - v) < 0.55 * (d + size) for u, v, d in plate.droplets):
            continue
        ys, xs, dx, dy = plate.window(x, y, 1.3 * size)
        radius, _ = plate.outline(
            2 * dx / size, 2 * dy / size, 0.06, 1 + abs(rng.normal(0, 0.25)), rng.choice([0.0, 0.0, 0.0, 0.8])
        )
        lift = np.sqrt(np.clip(1 - radius**2, 0, 1))
        along = 2 * (dx * towards[0] + dy * towards[1]) / size  # 1 on the lamp's side
        lens = 1 - 0.3 * lift
        at_x, at_y = (x + dx * lens).astype(np.float32), (y + dy * lens).astype(np.float32)
        through = cv2.remap(light.astype(np.float32), at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT).astype(float)
        gain = 1 + strong * np.exp(-((along + 0.45) ** 2) / 0.18) * lift - dim * np.exp(-((along - 0.75) ** 2) / 0.12)
        gain -= 0.4 * dim * np.exp(-((radius - 0.95) ** 2) / 0.01)
        glint = gleam * np.exp(-((along - 0.5) ** 2 + (2 * (dx * towards[1] - dy * towards[0]) / size) ** 2) / (2 * wide**2))
        new = through * np.clip(gain, 0.1, None)[..., None] + (glint * float(np.median(light)))[..., None]
        cover = np.clip((1 - radius) * size / 2 + 0.5, 0, 1)[..., None]
        shade = 0.5 * dim * np.exp(-((radius - 1.05) ** 2) / 0.02) * np.clip(-along, 0, 1) * (cover[..., 0] < 0.5)
        part = done[ys, xs] * (1 + strong * 0.5 * shade)[..., None]
        done[ys, xs] = part * (1 - cover) + cover * new
    return done


def _photographed(rng: np.random.Generator, light: Array) -> NDArray[np.uint8]:
    level = np.percentile(light, 60)
    picture = light / max(level, 1e-4) * np.exp(rng.uniform(np.log(0.05), np.log(0.45)))
    picture = cv2.GaussianBlur(picture, (0, 0), rng.choice([0.5, 0.7, 0.9, 1.2, 1.6]))
    picture = np.clip(picture, 0, None)
    picture += rng.normal(size=picture.shape) * np.sqrt(picture + 0.002) * rng.uniform(0.002, 0.03)
    picture = np.clip(picture, 0, 1.5)
    picture = np.clip(picture / (1 + 0.3 * picture) * 1.3, 0, 1) ** (1 / rng.uniform(1.9, 2.5))
    if rng.random() < 0.5:
        picture = picture + rng.uniform(0.2, 1.0) * (picture - cv2.GaussianBlur(picture, (0, 0), 1.2))
    if rng.random() < 0.1:
        picture[:] = picture.mean(axis=2, keepdims=True)
    eight = np.clip(picture * 255 + 0.5, 0, 255).astype(np.uint8)
    done = cv2.imdecode(cv2.imencode(".jpg", eight[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(70, 97))])[1], 1)
    return np.ascontiguousarray(done[..., ::-1])


def plate_picture(seed: int, *, side: int = 560, dirt_ratio: float = 1.0) -> PlatePicture:
    """A square picture of plate, all of it from the seed; `dirt_ratio` scales how many stains, pits and crumbs lie on it.

    Diameters are log-normal from 4 px up, as spatter's are (median about 7 to 14 px, on every fourth plate more).
    """
    rng = np.random.default_rng([seed, 560])
    plate = _Plate(rng, side)
    for _ in range(rng.poisson(rng.choice([1.0, 4.0, 9.0]))):
        plate.stroke(rng.uniform(20, 300))
    for _ in range(rng.poisson(dirt_ratio * rng.choice([3.0, 15.0, 50.0]))):
        plate.flat(*rng.uniform(0, side, 2), float(np.clip(rng.lognormal(2.1, 0.6), 3, 60)))
    for _ in range(rng.poisson(dirt_ratio * rng.choice([0.0, 4.0, 12.0]))):
        plate.pit(*rng.uniform(0, side, 2), float(np.clip(rng.lognormal(2.0, 0.5), 3, 40)))
    for _ in range(rng.poisson(dirt_ratio * rng.choice([0.0, 2.0, 8.0]))):
        plate.crumb(*rng.uniform(0, side, 2), float(np.clip(rng.lognormal(2.0, 0.5), 3, 40)))
    if rng.random() < WET_SHARE:
        for _ in range(int(rng.integers(5, 90)) if rng.random() < 0.6 else 0):
            plate.wet.append((*rng.uniform(0, side, 2), float(np.clip(rng.lognormal(2.3, 0.6), 4, 60))))
        if not plate.wet or rng.random() < 0.2:
            plate.runs()
    middle = rng.uniform(7, 14) if rng.random() < 0.75 else rng.uniform(14, 36)
    last = rng.uniform(0, side, 2)
    for _ in range(rng.poisson(rng.choice([6.0, 25.0, 60.0]))):
        size = float(np.clip(rng.lognormal(np.log(middle), 0.5), 4.0, 70.0))
        close = last + rng.normal(0, 1.2 * size + 4, 2)
        last = np.clip(close, 0, side - 1) if rng.random() < 0.3 else rng.uniform(0, side, 2)
        plate.droplet(float(last[0]), float(last[1]), size)
    droplets, water = (np.array(rows, dtype=float).reshape(-1, 3) for rows in (plate.droplets, plate.wet))
    return PlatePicture(_photographed(rng, _lit(rng, plate)), droplets, water)
