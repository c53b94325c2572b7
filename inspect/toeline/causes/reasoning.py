"""From soft signs to causes: a noisy-OR network with exact inference.

Every set of at most four causes is a hypothesis (no sampling). Under a set C a sign s shows with

    P(s | C) = [1 − (1 − leak_s) Π (1 − w_cs)] · Π (1 − |v_cs|)

over the strengths w > 0 that make it and v < 0 that prevent it. A reading that says "there with probability p" weighs the sign's
presence with p and its absence with 1 − p (virtual evidence), so a sign that is not there counts against its causes and
a sign nobody looked at counts for nothing.

References: noisy-OR, J. Pearl, Probabilistic Reasoning in Intelligent Systems, 1988, 4.3.2; virtual evidence, same book, 2.2.2.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import combinations
from pathlib import Path
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from toeline.causes.signs import all_signs
from toeline.errors import BadUsage
from toeline.processes import CauseTable, Process, load_process

__all__ = ["MOST_AT_ONCE", "Belief", "Lesson", "Network", "Past", "carry_over", "infer", "network"]

MOST_AT_ONCE = 4
KEPT = 0.85  # a cause that nobody changed is still there on the next coupon (judgement, no source)
CURED = 0.75  # a change made for a true cause takes it away (judgement, no source)
OVERDONE = 0.10  # a change made without that cause brings in its opposite (judgement, no source)
_SETS = 24  # sets of causes of the coupon before that a lesson is drawn from
_WEAK = 1e-9
_NEGLIGIBLE = 1e-8  # hypotheses below it are left out of the gain (not of the probabilities)

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """All hypotheses of one process and joint.

    Attributes
    ----------
    causes : tuple of CauseTable, length n
    signs : tuple of str, length m
    members : ndarray of int, shape (N, 4)
        Causes of each hypothesis; n stands for none.
    without : ndarray of int, shape (N, 4)
        The hypothesis that is left when that member is taken away.
    presence : ndarray of float32, shape (m, N)
        P(sign | hypothesis).
    """

    causes: tuple[CauseTable, ...]
    signs: tuple[str, ...]
    members: NDArray[np.int32]
    without: NDArray[np.int32]
    presence: NDArray[np.float32]

    def alone(self, i: int) -> int:
        """The hypothesis that has cause i and no other: the first one is "no cause", then every single cause in order."""
        return i + 1

    def priors(self) -> dict[str, float]:
        return {c.key: c.prior for c in self.causes}


@dataclass(frozen=True, slots=True, eq=False)
class Belief:
    """What the signs say of the causes.

    Attributes
    ----------
    network : Network
    probability : mapping of cause key to probability
    weights : ndarray, shape (N,)
        Posterior of every hypothesis, sums to 1.
    """

    network: Network
    probability: Mapping[str, float]
    weights: Array


@dataclass(frozen=True, slots=True)
class Past:
    """A coupon before this one: what its signs said, and what was then changed.

    Attributes
    ----------
    signs : mapping of sign to probability
        ``Diagnosis.signs`` of that coupon.
    change : str or None
        Key or name of the cause whose change was made after it; None: nothing was changed.
    quantities : mapping of quantity to value
        ``Diagnosis.quantities`` of that coupon, so that the outcome can be told in numbers.
    settings : mapping
        Machine settings of that coupon.
    record : int or None
        Its number in the logbook.
    """

    signs: Mapping[str, float]
    change: str | None = None
    quantities: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    settings: Mapping[str, float | str] = field(default_factory=lambda: MappingProxyType({}))
    record: int | None = None


@dataclass(frozen=True, slots=True)
class Lesson:
    """What the outcome of a change taught: belief in its cause before the outcome was seen, and in its light.

    Attributes
    ----------
    cause : str
        Key of the cause whose change was made.
    after : int
        Number of the coupon in the history after which it was made.
    before, now : float
    """

    cause: str
    after: int
    before: float
    now: float


def network(process: Process, joint: str) -> Network:
    """Hypotheses for this process and joint (kept for the next call)."""
    return _network(process.name, joint, None) if load_process(process.name) is process else build(process, joint)


@lru_cache(maxsize=8)
def _network(name: str, joint: str, folder: Path | None) -> Network:
    return build(load_process(name, folder), joint)


def build(process: Process, joint: str) -> Network:
    """Hypotheses for this process and joint: every set of up to four causes without opposites."""
    causes = tuple(c for c in process.causes.values() if not c.joints or joint in c.joints)
    signs = tuple(all_signs())
    place = {c.key: i for i, c in enumerate(causes)}
    opposed = {frozenset((i, place[c.opposite])) for c, i in zip(causes, range(len(causes)), strict=True) if c.opposite in place}
    members, without = _hypotheses(len(causes), opposed)
    strength = np.zeros((len(causes) + 1, len(signs)))
    column = {s: j for j, s in enumerate(signs)}
    for i, cause in enumerate(causes):
        for sign, (w, _) in cause.links.items():
            if sign not in column:
                raise KeyError(f"{process.name}: cause {cause.key} links to the sign {sign!r}, which signs.toml lacks")
            strength[i, column[sign]] = w
    leak = np.array([process.leak(s) for s in signs])
    presence = np.empty((len(signs), len(members)), dtype=np.float32)
    for j in range(len(signs)):
        presence[j] = _presence(leak[j], strength[:, j], members)
    for array in (members, without, presence):
        array.flags.writeable = False
    return Network(causes, signs, members, without, presence)


def _presence(leak: float, strength: Array, members: NDArray[np.int32]) -> Array:
    """P(sign | hypothesis) of one sign, shape (N,); the last entry of ``strength``, shape (n + 1,), is "no cause": zero."""
    miss = np.log1p(-np.maximum(strength, 0.0))
    prevented = np.log1p(-np.maximum(-strength, 0.0))
    made = -np.expm1(np.log1p(-leak) + miss[members].sum(axis=1))
    return np.asarray(made * np.exp(prevented[members].sum(axis=1)))


def _hypotheses(n: int, opposed: set[frozenset[int]]) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Every set of up to four of n causes without opposites, and which set is left when one member is taken away."""
    clash = np.zeros((n + 1, n + 1), dtype=bool)
    for i, j in opposed:
        clash[i, j] = clash[j, i] = True
    blocks = [np.full((1, MOST_AT_ONCE), n, dtype=np.int32)]
    for k in range(1, min(MOST_AT_ONCE, n) + 1):
        chosen = np.array(list(combinations(range(n), k)), dtype=np.int32).reshape(-1, k)
        padded = np.full((len(chosen), MOST_AT_ONCE), n, dtype=np.int32)
        padded[:, :k] = chosen
        fits = (
            ~np.any([clash[chosen[:, i], chosen[:, j]] for i, j in combinations(range(k), 2)], axis=0) if k > 1 else slice(None)
        )
        blocks.append(padded[fits])
    members = np.concatenate(blocks)
    base = (n + 1) ** np.arange(MOST_AT_ONCE, dtype=np.int64)
    codes = np.sort(members, axis=1) @ base
    order = np.argsort(codes)
    without = np.empty_like(members)
    for k in range(MOST_AT_ONCE):
        left = members.copy()
        left[:, k] = n
        without[:, k] = order[np.searchsorted(codes[order], np.sort(left, axis=1) @ base)]
    return members, without


def infer(net: Network, signs: Mapping[str, float], *, priors: Mapping[str, float] | None = None) -> Belief:
    """Exact posterior of every cause.

    Parameters
    ----------
    net : Network
    signs : mapping of sign to probability that it is truly there
        Signs that are not in it are unknown.
    priors : mapping of cause key to probability, optional
        Instead of the process's own.
    """
    prior = np.array([(priors or {}).get(c.key, c.prior) for c in net.causes])
    prior = np.clip(prior, 1e-6, 1 - 1e-6)
    prior_score = np.append(np.log(prior / (1 - prior)), 0.0)[net.members].sum(axis=1)
    weights = _shares(prior_score + _sign_score(net, signs))
    marginal = _marginals(net, weights)
    weights.flags.writeable = False
    return Belief(net, {c.key: float(marginal[i]) for i, c in enumerate(net.causes)}, weights)


def _shares(score: Array) -> Array:
    """Weights that sum to 1 from their logarithms."""
    weights = np.exp(score - score.max())
    return np.asarray(weights / weights.sum())


def _sign_score(net: Network, signs: Mapping[str, float]) -> Array:
    """Logarithm of how well each hypothesis foretells these readings, up to a constant of the readings, shape (N,)."""
    score = np.zeros(len(net.members))
    for j, name in enumerate(net.signs):
        p = signs.get(name)
        if p is not None:
            score += np.log(net.presence[j] * np.float32(2 * p - 1) + np.float32(1 - p + _WEAK))
    return score


def _marginals(net: Network, weights: Array) -> Array:
    """Probability of every cause from the weights of the hypotheses, shape (n,)."""
    total = np.zeros(len(net.causes) + 1)
    for k in range(MOST_AT_ONCE):
        total += np.bincount(net.members[:, k], weights=weights, minlength=total.size)
    return total[:-1]


def sign_weights(net: Network, signs: Mapping[str, float], cause: str) -> dict[str, float]:
    """How much each reading speaks for (positive) or against the cause alone, against no cause at all [natural log of
    the odds].
    """
    i = next(k for k, c in enumerate(net.causes) if c.key == cause)
    none, alone = 0, net.alone(i)
    result = {}
    for j, name in enumerate(net.signs):
        p = signs.get(name)
        if p is not None:
            with_cause, with_none = float(net.presence[j, alone]), float(net.presence[j, none])
            top = with_cause * p + (1 - with_cause) * (1 - p)
            bottom = with_none * p + (1 - with_none) * (1 - p)
            result[name] = float(np.log(top / bottom))
    return result


def relief(belief: Belief, signs: Mapping[str, float]) -> dict[str, float]:
    """Expected severity of the faults that go away when a cause is taken away [faults].

    Sums over hypotheses: posterior × severity × P(sign truly there) × share of it that needs this cause, 1 − P(s | C \\
    c) / P(s | C).
    """
    net = belief.network
    severity = np.array([all_signs()[s].severity for s in net.signs])
    known = np.flatnonzero([s in signs and all_signs()[s].severity > 0 for s in net.signs])
    n = len(net.causes)
    if known.size == 0:
        return {c.key: 0.0 for c in net.causes}
    heavy = np.flatnonzero(belief.weights > _NEGLIGIBLE)
    p = np.array([signs[net.signs[j]] for j in known])[:, None]
    presence = net.presence[np.ix_(known, heavy)].astype(float)
    there = presence * p / (presence * p + (1 - presence) * (1 - p) + _WEAK)
    total = np.zeros(n + 1)
    for k in range(MOST_AT_ONCE):
        left = net.presence[np.ix_(known, net.without[heavy, k])]
        gone = np.maximum(0.0, 1 - left / np.maximum(presence, _WEAK))
        cured = belief.weights[heavy] * (severity[known] @ (there * gone))
        total += np.bincount(net.members[heavy, k], weights=cured, minlength=n + 1)
    return {c.key: float(total[i]) for i, c in enumerate(net.causes)}


def carry_over(net: Network, history: Sequence[Past], now: Mapping[str, float]) -> tuple[dict[str, float], list[Lesson]]:
    """Beliefs of the coupons before this one, as priors for it, and what each change taught.

    Between coupons a cause stays with probability ``KEPT``; one whose change was made is cured with ``CURED``; a change
    that was not needed may bring in the opposite (``OVERDONE``). Beliefs are carried over cause by cause (their joint
    distribution is not).

    Returns
    -------
    priors : dict of cause key to probability
    lessons : list of Lesson
        By Bayes' rule from how well "it was the cause" and "it was not" foretell the next coupon's signs.
    """
    priors = net.priors()
    lessons = []
    for i, past in enumerate(history):
        before = infer(net, past.signs, priors=priors)
        changed = _key_of(net, past.change)
        after = history[i + 1].signs if i + 1 < len(history) else now
        if changed is not None:
            lessons.append(Lesson(changed, i, before.probability[changed], _in_hindsight(before, changed, after)))
        priors = _next_priors(net, before.probability, changed)
    return priors, lessons


def _key_of(net: Network, change: str | None) -> str | None:
    if not change:
        return None
    found = next((c.key for c in net.causes if change in (c.key, c.title)), None)
    if found is None:
        keys = ", ".join(c.key for c in net.causes)
        raise BadUsage(f"{change!r} is not a cause that this process and joint can have.", advice=f"Use one of: {keys}.")
    return found


def _next_priors(net: Network, belief: Mapping[str, float], changed: str | None) -> dict[str, float]:
    priors = {}
    for cause in net.causes:
        p = belief[cause.key]
        stays = KEPT * (1 - CURED) if cause.key == changed else KEPT
        priors[cause.key] = stays * p + (1 - KEPT) * cause.prior
        if changed is not None and cause.opposite == changed:
            priors[cause.key] += OVERDONE * (1 - belief[changed])
    return priors


def _in_hindsight(before: Belief, changed: str, after: Mapping[str, float]) -> float:
    """Belief in the changed cause once the next coupon was seen, by Bayes' rule over the sets of causes that the first coupon left likely.

    Each of the likeliest ``_SETS`` sets with the cause, and as many without, foretells the next coupon's signs: its members stay as in
    :func:`carry_over`, any other cause may come in.
    """
    net = before.network
    i = next(k for k, c in enumerate(net.causes) if c.key == changed)
    p = before.probability[changed]
    if not 1e-9 < p < 1 - 1e-9:
        return p
    score = _sign_score(net, after)
    has = (net.members == i).any(axis=1)
    likelihood = [_foretold(net, np.where(chosen, before.weights, 0.0), score, changed) for chosen in (has, ~has)]
    odds = p / (1 - p) * likelihood[0] / max(likelihood[1], 1e-30)
    return odds / (1 + odds)


def _foretold(net: Network, weights: Array, score: Array, changed: str) -> float:
    """How well the likeliest of these sets of causes foretell signs of that score, mean by weight."""
    likeliest = np.argsort(weights)[-_SETS:]
    top = float(score.max())
    total = 0.0
    for h in likeliest:
        members = {net.causes[k].key for k in net.members[h] if k < len(net.causes)}
        prior = np.array(list(_next_priors(net, {c.key: float(c.key in members) for c in net.causes}, changed).values()))
        prior = np.clip(prior, 1e-6, 1 - 1e-6)
        odds = np.append(np.log(prior / (1 - prior)), 0.0)[net.members].sum(axis=1)
        total += weights[h] * float(np.exp(odds + score - top).sum() / np.exp(odds).sum())
    return total / float(weights[likeliest].sum())
