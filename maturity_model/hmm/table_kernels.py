"""Compiled kernels of look-up tables: likelihoods of answers and of readings.

Layout, lanes and rules as in :mod:`.kernels`.
"""

from __future__ import annotations

from numba import njit

from maturity_model.hmm.arithmetic import JIT, TINY, exp_lanes, log_lanes, tail_lanes


@njit(inline="always", **JIT)
def _between(low, high, mean, sd):
    a = (low - mean) / sd
    b = (high - mean) / sd
    # Use the smaller tail, so that nothing cancels.
    right = a > 0.0
    return tail_lanes(a if right else -b) - tail_lanes(b if right else -a)


@njit(**JIT)
def interval_table(low, high, mean, sd, wide_mean, wide_sd, outlier, power, out, noise):
    """Likelihood of readings known to lie in intervals: normal, or rarely independent noise.

    ``out = ((1 - outlier) P(low < N(mean, sd) < high) + outlier P(low < N(wide) < high))^power``

    Parameters
    ----------
    low, high : ndarray, shape (C,)
        Ends of the intervals; may be infinite.
    mean, sd : ndarray, shape (C, S, D)
    wide_mean, wide_sd : ndarray, shape (C, D)
        Of readings that do not depend on the state.
    outlier : ndarray, shape (D,)
        Probability of such a reading.
    out : ndarray, shape (C, S, D), output
    noise : ndarray, shape (D,)
        Scratch.
    """
    n_c, n_s, n_d = out.shape
    for c in range(n_c):
        # Read here: inside the loops, these loads would prevent vectorising.
        lower, upper = low[c], high[c]
        centre, width = wide_mean[c], wide_sd[c]
        for d in range(n_d):
            noise[d] = outlier[d] * _between(lower, upper, centre[d], width[d])
        for s in range(n_s):
            centre, width, target = mean[c, s], sd[c, s], out[c, s]
            for d in range(n_d):
                p = _between(lower, upper, centre[d], width[d])
                p = (1.0 - outlier[d]) * p + noise[d]
                raised = exp_lanes(power * log_lanes(p if p > TINY else TINY))
                raised = raised if p > 0.0 else 0.0
                target[d] = raised if power > 0.0 else 1.0


@njit(**JIT)
def bernoulli_table(logit, skilled, seen, power, out):
    """Likelihood of yes/no outcomes: ``out = P(outcome)^power``.

    Parameters
    ----------
    logit : ndarray, shape (C, S, D)
        Log-odds of yes.
    skilled : ndarray, shape (C, Q, D)
        Added to them at each node.
    seen : ndarray, shape (C,)
        1 for yes, -1 for no.
    out : ndarray, shape (C, S, Q, D), output
    """
    n_c, n_s, n_q, n_d = out.shape
    for c in range(n_c):
        sign = seen[c]
        for s in range(n_s):
            for q in range(n_q):
                base, shift, target = logit[c, s], skilled[c, q], out[c, s, q]
                for d in range(n_d):
                    x = sign * (base[d] + shift[d])
                    # log P = min(x, 0) - log(1 + exp(-|x|))
                    size = x if x > 0.0 else -x
                    log_p = (x if x < 0.0 else 0.0) - log_lanes(1.0 + exp_lanes(-size))
                    target[d] = exp_lanes(power * log_p)
