"""Does a setting change the spatter? Saved coupons put side by side, against time or against one machine setting."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from toeline.logbook.store import Entry, once_a_photo
from toeline.spatter.rates import Bursts, Change, Tally, change_in_words, compare_rates, learn_bursts, rate_interval
from toeline.spatter.result import Interval

#: The axis of a tuning table that needs no setting.
TIME = "time"


@dataclass(frozen=True, slots=True)
class Spot:
    """One coupon: its setting (or its day), its spatter per cm² with the interval of counting chance alone."""

    entry_id: int
    at: float | str
    when: datetime
    label: str
    n: int
    area_cm2: float
    density_per_cm2: Interval


@dataclass(frozen=True, slots=True)
class Group:
    """Coupons of one setting together: rate with an interval that allows for bursts from coupon to coupon."""

    at: float | str
    n_coupons: int
    tally: Tally
    rate_per_cm2: Interval


@dataclass(frozen=True, slots=True)
class Tuning:
    """Coupons and groups along one axis, lowest setting (or oldest coupon) first, and what the groups say.

    ``change`` compares the group of most spatter with that of least; None with fewer than two groups. Only coupons whose plate was
    left as the newest one's (``plate_now``) are compared: brushing and chipping decide what stays. ``n_unlike`` others were left out.
    """

    axis: str
    spots: tuple[Spot, ...]
    groups: tuple[Group, ...]
    bursts: Bursts
    change: Change | None
    sentence: str
    plate_now: str = "as welded"
    n_unlike: int = 0

    @property
    def smallest_in_words(self) -> str:
        """What these coupons could have shown at all; empty where there is nothing to compare."""
        if self.change is None or self.change.smallest_up == float("inf"):
            return ""
        up, down = self.change.smallest_up, self.change.smallest_down
        less = f" or a drop to {down:.2g} times" if down > 0 else "; no drop, however large"
        return (
            f"Four times in five these coupons would show a rise to {up:.2g} times{less}. Weld more at each setting to see less."
        )


def counted(entries: Iterable[Entry]) -> list[Entry]:
    """Records whose spatter can be compared, oldest first: counted, on plate that was clean before, none of it scraped off since."""
    return [
        e
        for e in once_a_photo(entries)
        if e.spatter_n is not None
        and e.spatter_area_cm2
        and e.coupon.plate_before in ("clean", "photographed")
        and e.coupon.plate_now not in ("scraped", "sprayed")
    ]


def setting_names(entries: Iterable[Entry]) -> tuple[str, ...]:
    """Settings that at least two coupons name."""
    named = [name for e in counted(entries) for name in e.coupon.settings]
    return tuple(sorted({name for name in named if named.count(name) > 1}))


def tune(entries: Iterable[Entry], axis: str = TIME) -> Tuning:
    """Spatter of these records along one axis.

    Parameters
    ----------
    entries : iterable of Entry
        Records of one process and one joint; the caller chooses them.
    axis : str
        ``time``, or the name of a setting; coupons that do not name it are left out.

    Notes
    -----
    Rates, bursts and the comparison are those of :mod:`toeline.spatter.rates`. With ``time`` every day is a group, so that the
    scatter from coupon to coupon can be told from a change from day to day.
    """
    every = counted(entries)
    plate_now = every[-1].coupon.plate_now if every else "as welded"
    listed = [e for e in every if e.coupon.plate_now == plate_now]
    n_unlike = len(every) - len(listed)
    if axis != TIME:
        listed = [e for e in listed if axis in e.coupon.settings]
    keyed = [(_place(e, axis), e) for e in listed]
    ats = sorted({at for at, _ in keyed}, key=_order)
    tallies = {at: Tally(*zip(*((e.spatter_n, e.spatter_area_cm2) for a, e in keyed if a == at), strict=True)) for at in ats}
    bursts = learn_bursts(list(tallies.values()))
    groups = tuple(Group(at, len(t.counts), t, rate_interval(t, bursts=bursts)) for at, t in tallies.items())
    spots = tuple(_spot(e, at, number) for number, (at, e) in enumerate(keyed, start=1))
    if axis != TIME:
        spots = tuple(sorted(spots, key=lambda spot: (_order(spot.at), spot.when)))
    change = _change(groups, bursts) if axis != TIME else _newest(groups, bursts)
    return Tuning(axis, spots, groups, bursts, change, _sentence(groups, change, axis), plate_now, n_unlike)


def _place(entry: Entry, axis: str) -> float | str:
    return entry.when.date().isoformat() if axis == TIME else entry.coupon.settings[axis]


def _order(at: float | str) -> tuple[int, float, str]:
    return (1, 0.0, at) if isinstance(at, str) else (0, float(at), "")


def _spot(entry: Entry, at: float | str, number: int) -> Spot:
    n, area = int(entry.spatter_n or 0), float(entry.spatter_area_cm2 or 0.0)
    label = entry.labels.coupon or entry.photo_name or f"coupon {number}"
    return Spot(entry.id, at, entry.when, label, n, area, rate_interval(Tally((n,), (area,))))


def _change(groups: tuple[Group, ...], bursts: Bursts) -> Change | None:
    """Most spatter against least."""
    if len(groups) < 2:
        return None
    ranked = sorted(groups, key=lambda group: group.tally.rate)
    return compare_rates(ranked[-1].tally, ranked[0].tally, bursts=bursts)


def _newest(groups: tuple[Group, ...], bursts: Bursts) -> Change | None:
    """The last day against the day before it."""
    return compare_rates(groups[-1].tally, groups[-2].tally, bursts=bursts) if len(groups) > 1 else None


def _sentence(groups: tuple[Group, ...], change: Change | None, axis: str) -> str:
    if not groups:
        return "No saved coupon with counted spatter on plate that was clean before."
    if change is None:
        return f"All coupons were welded {'on' if axis == TIME else 'at'} {_said(groups[0].at)}: there is nothing to compare yet."
    if axis == TIME:
        return f"{_said(groups[-1].at)} against {_said(groups[-2].at)}: {change_in_words(change, since='the day before')}"
    least, *_, most = (_said(group.at) for group in sorted(groups, key=lambda group: group.tally.rate))
    return f"{most} against {least}: {change_in_words(change, since=f'the coupons at {least}')}"


def _said(at: float | str) -> str:
    return at if isinstance(at, str) else f"{at:g}"
