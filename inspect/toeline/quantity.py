"""A number with its uncertainty: own noise apart from what it shares with other numbers.

A photo gives hundreds of lengths that all hang on one scale. Averaging them shrinks each length's own noise, but not what they share.
So a :class:`Measured` keeps its noise (independent of every other number) apart from *named* shared parts (the signed change that one
standard deviation of a named source makes). Parts of the same name are one and the same random quantity; parts of different names are
independent. The linear propagation law is JCGM 100:2008 (GUM), 5.2.2, equation (16).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from math import floor, hypot, isfinite, log10
from types import MappingProxyType

_NOTHING: Mapping[str, float] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Measured:
    """A value with its standard uncertainty.

    Attributes
    ----------
    value : float
        The best estimate, in the unit that the owner's name states.
    noise : float
        Standard uncertainty independent of every other number [the value's own unit].
    shared : mapping of str to float
        Signed effect of one standard deviation of each named source [the value's own unit].
    """

    value: float
    noise: float = 0.0
    shared: Mapping[str, float] = field(default_factory=lambda: _NOTHING)

    def __post_init__(self) -> None:
        if self.noise < 0:
            raise ValueError(f"noise must not be negative, got {self.noise}")
        object.__setattr__(self, "shared", MappingProxyType(dict(self.shared)))

    @property
    def u(self) -> float:
        """Standard uncertainty (k = 1)."""
        return hypot(self.noise, *self.shared.values())

    def __add__(self, other: Measured) -> Measured:
        return combine((self, other), (1.0, 1.0))

    def __sub__(self, other: Measured) -> Measured:
        return combine((self, other), (1.0, -1.0))

    def scaled(self, factor: float) -> Measured:
        """The value times an exactly known factor."""
        return combine((self,), (factor,))

    def as_dict(self) -> dict[str, object]:
        """The contract's form: value, u and the shared parts."""
        return {"value": self.value, "u": self.u, "shared": dict(self.shared)}

    def __str__(self) -> str:
        return format_pm(self.value, self.u)


def combine(terms: Sequence[Measured], weights: Sequence[float]) -> Measured:
    """Weighted sum: noises add in quadrature, shared parts of one name add with their signs.

    Exact for linear functions; for others the weights are the partial derivatives (GUM equation 16).
    """
    if len(terms) != len(weights):
        raise ValueError(f"need as many weights as terms, got {len(weights)} for {len(terms)}")
    shared: dict[str, float] = {}
    for term, weight in zip(terms, weights, strict=True):
        for name, effect in term.shared.items():
            shared[name] = shared.get(name, 0.0) + weight * effect
    return Measured(
        sum(w * t.value for t, w in zip(terms, weights, strict=True)),
        hypot(*(w * t.noise for t, w in zip(terms, weights, strict=True))),
        shared,
    )


def mean(terms: Iterable[Measured]) -> Measured:
    """Plain mean of numbers whose noises are independent of each other."""
    listed = tuple(terms)
    if not listed:
        raise ValueError("the mean of no numbers is not defined")
    return combine(listed, (1.0 / len(listed),) * len(listed))


def linear(value: float, terms: Sequence[Measured], derivatives: Sequence[float]) -> Measured:
    """A function of measured numbers: its value and, by its partial derivatives, its uncertainty (GUM 5.1.2)."""
    spread = combine(terms, derivatives)
    return Measured(value, spread.noise, spread.shared)


def format_pm(value: float, u: float, *, unit: str = "", k: float = 2.0) -> str:
    """``8.03 ± 0.08 mm``: value and expanded uncertainty with the same last digit, two significant digits of it below 0.2.

    Rounding rule: two significant digits of ± when it starts with 1, else one (common practice in metrology, no source).
    """
    expanded = k * u
    tail = f" {unit}" if unit else ""
    if not isfinite(value):
        return f"not known{tail}"
    if not isfinite(expanded) or expanded <= 0:
        return f"{round(value, 2) + 0.0:.2f}{tail}"
    exponent = floor(log10(expanded))
    digits = 1 - exponent if expanded / 10**exponent < 1.95 else -exponent
    digits = max(0, min(digits, 4))
    value = round(value, digits) + 0.0  # nought has no sign
    return f"{value:.{digits}f} ± {expanded:.{digits}f}{tail}".replace("-", "−", 1 if value < 0 else 0)
