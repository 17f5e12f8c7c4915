"""Closed forms for planning and reading tests: failure plans, exact intervals, what a plan can estimate, what data are worth.

Confidence and reliability are shares between 0 and 1; rates are per unit of the exposure given. Everything is exact or a
textbook formula (sources beside each, from memory, checked in the reference cases); nothing is simulated.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from app.evidence.links import Array
from app.evidence.refusals import EvidenceError, positive

MOST_LAPS = 10**9  # beyond any season; keeps the figure finite


def _share(name: str, value: float) -> None:
    if not 0.0 < value < 1.0:
        raise EvidenceError(name, value, "It is a share between 0 and 1, neither of them itself.")


def success_run(confidence: float, reliability: float) -> tuple[float, int]:
    """Tests without failure that show `reliability`: ln(1 - C) / ln R, exact and rounded up."""
    _share("confidence", confidence)
    _share("reliability", reliability)
    exact = math.log1p(-confidence) / math.log(reliability)
    return exact, math.ceil(exact - 1e-9)


def binomial_plan(confidence: float, reliability: float, failures: int) -> tuple[int, float]:
    """Fewest tests with at most `failures` failing that show `reliability`, and the confidence then reached."""
    from scipy.special import bdtr

    _share("confidence", confidence)
    _share("reliability", reliability)
    enough = failures + 1
    while bdtr(failures, enough, 1.0 - reliability) > 1.0 - confidence:
        enough *= 2
    short = max(failures, enough // 2)  # too few by now, or the least there can be
    while enough - short > 1:
        middle = (enough + short) // 2
        if bdtr(failures, middle, 1.0 - reliability) <= 1.0 - confidence:
            enough = middle
        else:
            short = middle
    return enough, float(1.0 - bdtr(failures, enough, 1.0 - reliability))


def mean_difference(scatter: float, laps: int) -> tuple[float, float, float]:
    """(SE of one mean, SE of the difference of two, half width of its 95 % interval) of means over `laps` independent laps."""
    from scipy.special import ndtri

    positive("scatter", scatter)
    positive("laps", laps)
    one = scatter / math.sqrt(laps)
    return one, one * math.sqrt(2.0), float(ndtri(0.975)) * one * math.sqrt(2.0)


def laps_per_variant(scatter: float, difference: float, power: float = 0.8) -> int:
    """Clean laps of each variant that show `difference` (same unit as `scatter`) at two-sided 5 % with that power.

    Laps are taken as independent and the track as still: a least number. Closed form, normal approximation.
    """
    from scipy.special import ndtri

    positive("scatter", scatter)
    positive("difference", difference)
    _share("power", power)
    wanted = 2.0 * ((float(ndtri(0.975)) + float(ndtri(power))) * scatter / difference) ** 2
    return min(math.ceil(wanted - 1e-9), MOST_LAPS)


def poisson_interval(count: int, confidence: float) -> tuple[float, float]:
    """Exact two-sided limits of a Poisson mean. Source: Garwood (1936), Biometrika 28."""
    from scipy.special import gammainccinv, gammaincinv

    _share("confidence", confidence)
    tail = 0.5 * (1.0 - confidence)
    return float(gammaincinv(count, tail)) if count else 0.0, float(gammainccinv(count + 1, tail))


def poisson_rate(
    events: int, exposure: float, *, expected_rate: float = 1.0, confidence: float = 0.95
) -> tuple[float, float, float, float]:
    """Rate, its exact limits, and the exact two-sided p that it is `expected_rate` (outcomes no likelier than this one)."""
    from scipy.special import gammaln, pdtr, pdtrc

    positive("exposure", exposure)
    low, high = poisson_interval(events, confidence)
    mean = expected_rate * exposure

    def log_p(k: Array) -> Array:
        return k * np.log(mean) - mean - gammaln(k + 1.0)

    cut = float(log_p(np.array(float(events)))) + 1e-7
    if events >= mean:  # this tail and beyond, with the outcomes of the other tail that are as rare
        others = np.arange(min(math.floor(mean), events - 1) + 1.0)
        p = (pdtrc(events - 1, mean) if events else 1.0) + np.exp(log_p(others))[log_p(others) <= cut].sum()
    else:
        others = np.arange(max(math.ceil(mean), events + 1), mean + 40.0 * math.sqrt(mean + 1.0) + 40.0)
        p = pdtr(events, mean) + np.exp(log_p(others))[log_p(others) <= cut].sum()
    return events / exposure, low / exposure, high / exposure, float(min(1.0, p))


def poisson_ratio(
    events: tuple[int, int], exposures: tuple[float, float], *, confidence: float = 0.95
) -> tuple[float | None, float, float | None, float]:
    """Rate 1 over rate 2, its exact limits (None = no upper end) and p for equal rates, given the sum of events."""
    from scipy.stats import binomtest

    positive("exposure", exposures[0])
    positive("exposure", exposures[1])
    total = events[0] + events[1]
    if not total:
        return None, 0.0, None, 1.0
    test = binomtest(events[0], total, exposures[0] / sum(exposures))
    low, high = clopper_pearson(events[0], total, confidence)
    odds = exposures[1] / exposures[0]
    ratio = events[0] / events[1] * odds if events[1] else None
    return ratio, low / (1.0 - low) * odds, high / (1.0 - high) * odds if high < 1.0 else None, float(test.pvalue)


def mtbf_factors(failures: int, confidence: float) -> tuple[float | None, float | None, float]:
    """Factors of T / failures for the two-sided limits of a time-truncated test (None without failures),

    and the one-sided lower limit over T. Source: chi-square limits, NIST/SEMATECH e-Handbook 8.4.5.1 (as in the case).
    """
    from scipy.special import gammaincinv

    low, high = poisson_interval(failures, confidence)
    one_sided = 1.0 / float(gammaincinv(failures + 1, confidence))
    return (failures / high, failures / low, one_sided) if failures else (None, None, one_sided)


def clopper_pearson(count: int, n: int, confidence: float) -> tuple[float, float]:
    """Exact limits of a share. Source: Clopper & Pearson (1934)."""
    from scipy.special import betaincinv

    tail = 0.5 * (1.0 - confidence)
    low = float(betaincinv(count, n - count + 1, tail)) if count else 0.0
    return low, float(betaincinv(count + 1, n - count, 1.0 - tail)) if count < n else 1.0


def wilson(count: int, n: int, confidence: float) -> tuple[float, float]:
    """Score limits of a share. Source: Wilson (1927)."""
    from scipy.special import ndtri

    z = float(ndtri(0.5 * (1.0 + confidence)))
    share = count / n
    centre = share + z * z / (2 * n)
    half = z * math.sqrt(share * (1.0 - share) / n + z * z / (4.0 * n * n))
    scale = 1.0 + z * z / n
    low, high = (centre - half) / scale, (centre + half) / scale
    return (0.0 if count == 0 else low), (1.0 if count == n else high)


def estimability(x: Array, contrasts: Mapping[str, Array]) -> tuple[int, dict[str, float | None]]:
    """Rank of a plan x (n, P), and per contrast (P,) its variance over sigma^2, None where it can't be estimated.

    A contrast can be estimated if and only if it lies in the row space of x.
    """
    rank = int(np.linalg.matrix_rank(x))
    inverse = np.linalg.pinv(x.T @ x)
    projector = inverse @ (x.T @ x)
    found: dict[str, float | None] = {}
    for name, contrast in contrasts.items():
        inside = np.abs(contrast @ projector - contrast).max() < 1e-8 * max(1.0, np.abs(contrast).max())
        found[name] = float(contrast @ inverse @ contrast) if inside else None
    return rank, found


@dataclass(frozen=True, slots=True)
class Aliases:
    """Alias structure of a two-level fraction. `aliases`: effect of one or two factors -> those it can't be told from."""

    runs: int
    defining_words: tuple[str, ...]
    resolution: int | None
    aliases: dict[str, tuple[str, ...]]
    clear_main_effects: tuple[str, ...]


def alias_structure(factors: Sequence[str], generators: Mapping[str, str]) -> Aliases:
    """`factors` are single letters; `generators` maps an added factor to its word ('D': 'ABC').

    Words are multiplied letter by letter modulo 2. Source: Box, Hunter & Hunter, Statistics for Experimenters (from memory).
    """
    words: set[frozenset[str]] = {frozenset()}
    for added, word in generators.items():
        words |= {known ^ frozenset(word + added) for known in words}
    words.discard(frozenset())
    single = [frozenset(f) for f in factors]
    effects = single + [a | b for i, a in enumerate(single) for b in single[i + 1 :]]
    aliases = {_word(e): _words(o for o in effects if o != e and e ^ o in words) for e in effects}
    return Aliases(
        2 ** (len(factors) - len(generators)),
        _words(words),
        min((len(word) for word in words), default=None),
        aliases,
        tuple(f for f in factors if not aliases[f]),
    )


def _word(letters: frozenset[str]) -> str:
    return "".join(sorted(letters))


def _words(found) -> tuple[str, ...]:
    return tuple(sorted(map(_word, found), key=lambda word: (len(word), word)))
