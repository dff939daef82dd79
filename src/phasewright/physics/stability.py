"""What a run without failures, or with few, proves about failures to come."""

from __future__ import annotations

import math

import numpy as np

from phasewright.physics._arguments import Number, elementwise, plain, refuse
from phasewright.physics._quantile import beta_point, gamma_point
from phasewright.physics.records import Interval
from phasewright.physics.validity import COUNT, OPEN_FRACTION, POSITIVE, Bound, formula

__all__ = [
    "clopper_pearson",
    "failure_probability_bound",
    "failure_rate_bound",
    "mtbf_bound",
    "mtbf_interval",
    "rule_of_three",
    "success_run_count",
]

HANDBOOK = "NIST/SEMATECH e-Handbook, 8.4.5.1"
FAILURES = Bound(low=0.0, whole=True)


def _rate_point(failures: float, confidence: float) -> float:
    if failures == 0.0:
        return -math.log1p(-confidence)
    return gamma_point(failures + 1.0, 1.0 - confidence, upper=True)


@formula(
    possible={"duration": POSITIVE, "confidence": OPEN_FRACTION, "failures": FAILURES},
    source=HANDBOOK,
)
def failure_rate_bound(duration: Number, confidence: Number, failures: Number = 0.0) -> Number:
    """Return the failure rate that a run of given length rules out, from above.

    lambda_U = chi2(C; 2 r + 2) / (2 T); without failures -ln(1 - C) / T

    Parameters:
        duration [s]: time on test of all devices together, times the acceleration factor if the test was accelerated.
        confidence [1]: one-sided confidence, 0.95 for 95 %.
        failures [1]: failures seen in that time.

    Returns:
        upper bound of the failure rate [1/s], arguments broadcast; failures_in_time gives it in FIT.

    Range:
        duration above 0, confidence between 0 and 1, failures a whole number (definition).

    Assumptions:
        constant failure rate; the run ended at a time fixed beforehand, or is still going.

    Example:
        >>> round(failure_rate_bound(3600.0, 0.95) * 3600, 6)
        2.995732

    Source:
        NIST/SEMATECH e-Handbook, 8.4.5.1.
    """
    return elementwise(_rate_point, failures, confidence) / duration


@formula(
    possible={"duration": POSITIVE, "confidence": OPEN_FRACTION, "failures": FAILURES},
    source=HANDBOOK,
)
def mtbf_bound(duration: Number, confidence: Number, failures: Number = 0.0) -> Number:
    """Return the mean time between failures that a run of given length proves, from below.

    MTBF_L = 2 T / chi2(C; 2 r + 2); without failures T / -ln(1 - C)

    Parameters:
        duration [s]: time on test of all devices together.
        confidence [1]: one-sided confidence, 0.95 for 95 %.
        failures [1]: failures seen in that time.

    Returns:
        lower bound of the mean time between failures [s], arguments broadcast.

    Range:
        duration above 0, confidence between 0 and 1, failures a whole number (definition).

    Assumptions:
        as for failure_rate_bound.

    Example:
        >>> round(mtbf_bound(8760 * 3600.0, 0.80, 1) / 3600, 2)
        2925.55

    Source:
        NIST/SEMATECH e-Handbook, 8.4.5.1.
    """
    return duration / elementwise(_rate_point, failures, confidence)


@formula(
    possible={"duration": POSITIVE, "failures": FAILURES, "confidence": OPEN_FRACTION},
    source=HANDBOOK,
)
def mtbf_interval(duration: Number, failures: Number, confidence: Number) -> Interval:
    """Return the two-sided interval of the mean time between failures.

    2 T / chi2(1 - a/2; 2 r + 2) to 2 T / chi2(a/2; 2 r),  a = 1 - C

    Parameters:
        duration [s]: time on test of all devices together.
        failures [1]: failures seen in that time.
        confidence [1]: two-sided confidence, 0.95 for 95 %.

    Returns:
        Interval of the mean time between failures [s], arguments broadcast; the high end is infinite without failures.

    Range:
        duration above 0, failures a whole number, confidence between 0 and 1 (definition).

    Assumptions:
        constant failure rate; the run ended at a time fixed beforehand.

    Example:
        >>> interval = mtbf_interval(8760 * 3600.0, 1, 0.60)
        >>> round(interval.low / 3600, 2), round(interval.high / 3600, 1)
        (2925.55, 39257.2)

    Source:
        NIST/SEMATECH e-Handbook, 8.4.5.1.
    """

    def upper_point(count: float, level: float) -> float:
        return gamma_point(count + 1.0, (1.0 - level) / 2.0, upper=True)

    def lower_point(count: float, level: float) -> float:
        return gamma_point(count, (1.0 - level) / 2.0, upper=False) if count else 0.0

    low = duration / elementwise(upper_point, failures, confidence)
    with np.errstate(divide="ignore"):
        high = np.divide(duration, elementwise(lower_point, failures, confidence))
    return Interval(low=plain(low), high=plain(high))


@formula(
    possible={"count": COUNT, "confidence": OPEN_FRACTION, "failures": FAILURES},
    source="Clopper and Pearson, Biometrika 26 (1934) 404",
)
def failure_probability_bound(count: Number, confidence: Number, failures: Number = 0.0) -> Number:
    """Return the failure probability that a number of trials rules out, from above; exact.

    p_U = beta(C; k + 1, n - k); without failures 1 - (1 - C)^(1/n)

    Parameters:
        count [1]: independent trials, for instance cold starts.
        confidence [1]: one-sided confidence, 0.95 for 95 %.
        failures [1]: failures among them.

    Returns:
        upper bound of the probability that one trial fails [1], arguments broadcast.

    Range:
        failures at most count, both whole; confidence between 0 and 1 (definition).

    Assumptions:
        independent trials, all alike.

    Example:
        >>> round(failure_probability_bound(100, 0.95), 6)
        0.029513

    Source:
        Clopper and Pearson, Biometrika 26 (1934) 404; without failures a closed form.
    """
    _require_at_most("failure_probability_bound", failures, count)

    def point(n: float, level: float, k: float) -> float:
        if k == 0.0:
            return -math.expm1(math.log1p(-level) / n)
        return 1.0 if k >= n else beta_point(k + 1.0, n - k, 1.0 - level, upper=True)

    return elementwise(point, count, confidence, failures)


@formula(
    possible={"count": COUNT},
    range={"count": Bound(low=30.0, whole=True, said_by="common practice: 3/n is within 6 % of the exact bound")},
    source="rule of three",
)
def rule_of_three(count: Number) -> Number:
    """Return the failure probability that trials without failure rule out at about 95 %, by rule of thumb.

    p_U = 3 / n

    Parameters:
        count [1]: independent trials without failure.

    Returns:
        upper bound of the probability that one trial fails [1], shape of the argument.

    Range:
        count of at least 30 (common practice: 3/n is within 6 % of the exact bound).

    Assumptions:
        independent trials, all alike; failure_probability_bound is exact.

    Example:
        >>> rule_of_three(100)
        0.03

    Source:
        rule of three, common practice.
    """
    return 3.0 / count


@formula(possible={"reliability": OPEN_FRACTION, "confidence": OPEN_FRACTION}, source="success-run theorem")
def success_run_count(reliability: Number, confidence: Number) -> Number:
    """Return how many trials without failure prove a reliability.

    n = ceil(ln(1 - C) / ln R)

    Parameters:
        reliability [1]: probability that one trial succeeds, to be proved.
        confidence [1]: one-sided confidence, 0.95 for 95 %.

    Returns:
        trials [1], arguments broadcast, whole.

    Range:
        both between 0 and 1 (definition).

    Assumptions:
        independent trials, all alike, none fails.

    Example:
        >>> success_run_count(0.95, 0.95)
        59.0

    Source:
        success-run theorem, closed form.
    """
    return np.ceil(np.log1p(-confidence) / np.log(reliability) * (1.0 - 1e-12))


@formula(
    possible={"failures": FAILURES, "count": COUNT, "confidence": OPEN_FRACTION},
    source="Clopper and Pearson, Biometrika 26 (1934) 404",
)
def clopper_pearson(failures: Number, count: Number, confidence: Number) -> Interval:
    """Return the two-sided exact interval of a probability from counted trials.

    beta(a/2; k, n - k + 1) to beta(1 - a/2; k + 1, n - k),  a = 1 - C

    Parameters:
        failures [1]: trials that failed.
        count [1]: all trials.
        confidence [1]: two-sided confidence, 0.95 for 95 %.

    Returns:
        Interval of the probability that one trial fails [1], arguments broadcast.

    Range:
        failures at most count, both whole; confidence between 0 and 1 (definition).

    Assumptions:
        independent trials, all alike; covers at least the confidence, often more.

    Example:
        >>> interval = clopper_pearson(4, 20, 0.90)
        >>> round(interval.low, 6), round(interval.high, 6)
        (0.071354, 0.401028)

    Source:
        Clopper and Pearson, Biometrika 26 (1934) 404; NIST/SEMATECH e-Handbook, 7.2.4.1.
    """
    _require_at_most("clopper_pearson", failures, count)

    def low(k: float, n: float, level: float) -> float:
        return beta_point(k, n - k + 1.0, (1.0 - level) / 2.0, upper=False) if k else 0.0

    def high(k: float, n: float, level: float) -> float:
        return beta_point(k + 1.0, n - k, (1.0 - level) / 2.0, upper=True) if k < n else 1.0

    return Interval(
        low=elementwise(low, failures, count, confidence), high=elementwise(high, failures, count, confidence)
    )


def _require_at_most(function: str, failures: Number, count: Number) -> None:
    if np.any(np.asarray(failures) > np.asarray(count)):
        raise refuse(
            "failures",
            str(failures),
            f"failures cannot exceed the trials (count = {count})",
            "count every trial, failed or not",
            f"{function}: impossible arguments",
        )
