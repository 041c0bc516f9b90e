"""What chance alone would give: limits, probabilities and shrunken rates for counts. NumPy arrays in and out.

Counts and sizes are whole numbers, shares run from 0 to 1, shapes broadcast. Whatever a special function or a
fit gave is rounded to 6 significant digits before it leaves this room.
"""

import numpy as np

from pipelines.engine.arrays import to_six_digits

NORMAL_95 = 1.959963984540054  # two-sided


def exact_interval(count, of, level=0.95):
    """Clopper-Pearson limits of a share; arrays of shape (n,). NaN where `of` is 0.

    Holds at least `level` of the time whatever the true share. Source: Clopper and Pearson 1934. 4 of 20 at
    90 %: 0.071354 to 0.401029 (NIST e-Handbook 7.2.4.1, from memory).
    """
    from scipy import special

    count, of = np.asarray(count, float), np.asarray(of, float)
    tail = (1.0 - level) / 2.0
    with np.errstate(invalid="ignore"):
        low = np.where(count > 0, special.betaincinv(np.maximum(count, 1), of - count + 1, tail), 0.0)
        high = np.where(count < of, special.betaincinv(count + 1, np.maximum(of - count, 1), 1 - tail), 1.0)
    return tuple(to_six_digits(np.where(of > 0, limit, np.nan)) for limit in (low, high))


def wilson_interval(count, of):
    """Wilson's 95 % limits of a share; NaN where `of` is 0. Near 95 % on average, never of no width.

    Source: Wilson 1927; Newcombe 1998, method 3. 81 of 263: 0.2553 to 0.3662 (his table I, from memory).
    """
    count, of = np.asarray(count, float), np.asarray(of, float)
    square = NORMAL_95**2
    with np.errstate(invalid="ignore", divide="ignore"):
        share = count / of
        middle = (share + square / (2 * of)) / (1 + square / of)
        half = NORMAL_95 / (1 + square / of) * np.sqrt(share * (1 - share) / of + square / (4 * of**2))
    low = np.where(count > 0, middle - half, np.where(of > 0, 0.0, np.nan))
    high = np.where(count < of, middle + half, np.where(of > 0, 1.0, np.nan))
    return to_six_digits(low), to_six_digits(high)


def apart_from_others(count, of, other_count, other_of):
    """How often chance alone parts two groups so far, either way, where both are bad at one rate.

    Fisher's exact test, twice its smaller tail, at most 1; NaN where a group is empty. Source: Fisher 1935:
    4 of 4 against 0 of 4 has a tail of 1/70 (the lady tasting tea, from memory), hence 0.028571.
    """
    from scipy import stats

    count, of, other_count, other_of = np.broadcast_arrays(
        *(np.asarray(one, float) for one in (count, of, other_count, other_of))
    )
    bad, units = count + other_count, of + other_of
    fewer = stats.hypergeom.cdf(count, units, bad, of)
    more = stats.hypergeom.sf(count - 1, units, bad, of)
    found = np.minimum(1.0, 2.0 * np.minimum(fewer, more))
    return to_six_digits(np.where((of > 0) & (other_of > 0), found, np.nan))


# ---- limits of a funnel, and how far from its middle a count lies


def funnel_limits(rate, of, level, widened=1.0):
    """Limits within which a share of `of` lies with probability `level` where its expectation is `rate`.

    Exact binomial, interpolated between whole counts; `widened` stretches both sides away from `rate`, as
    over-dispersion asks (see `widening`). Neither lies on the wrong side of `rate`. NaN where `of` is 0 or
    `rate` is NaN. Source: Spiegelhalter 2005, appendix. Rate 0.1, 50 visits, 95 %: 0.0139 to 0.1797.
    """
    rate, of, widened = np.broadcast_arrays(*(np.asarray(one, float) for one in (rate, of, widened)))
    tail = (1.0 - level) / 2.0
    low = np.minimum(_interpolated(rate, of, tail), rate)
    high = np.maximum(_interpolated(rate, of, 1.0 - tail), rate)
    wide_low, wide_high = (np.clip(rate + (limit - rate) * widened, 0.0, 1.0) for limit in (low, high))
    # No count is too low where none at all is likely, nor too high where all are, however narrow limits are.
    return to_six_digits(np.where(low == 0.0, 0.0, wide_low)), to_six_digits(
        np.where(high == 1.0, 1.0, wide_high)
    )


def count_limits(rate, of, level):
    """(fewest, most) of `of` that chance gives with probability `level` where each is bad at `rate`.

    What of a control chart for shares with each sample's own size lies within its limits; on either side
    at most half of 1 - `level` lies beyond. NaN where `of` is 0 or `rate` is NaN. Source: Shewhart 1931, the
    limits exact where his are three standard errors. Rate 0.2313, 50 cans, 99.8 %: 3 to 21; Montgomery,
    Introduction to Statistical Quality Control, has 2.6 to 20.5 (his 0.0524 to 0.4102, from memory).
    """
    rate, of = np.broadcast_arrays(np.asarray(rate, float), np.asarray(of, float))
    fewest, most = np.full(rate.shape, np.nan), np.full(rate.shape, np.nan)
    known = (of > 0) & np.isfinite(rate)
    tail = (1.0 - level) / 2.0
    for limit, below in ((fewest, tail), (most, 1.0 - tail)):
        limit[known], _ = _count_at(np.clip(rate[known], 0.0, 1.0), of[known], below)
    return fewest, most


SERIES_DRAWN = 9_999  # by chance alone, with a seed of their own


def change_point(bad, of, least):
    """(position, probability): from where on the share of a series differs most from what it was before.

    `bad` of `of` in each sample, in order; `least` is how many must stand before and after together. The
    split of greatest likelihood, and how often chance puts as many bad ones into a series so that some split
    tells as much. (-1, NaN) where none can be made. Source: Hinkley and Hinkley 1970; Worsley 1983; the
    probability is drawn here.
    """
    from scipy import special

    bad, of = np.asarray(bad, np.int64), np.asarray(of, np.int64)
    found, units, before = int(bad.sum()), int(of.sum()), np.cumsum(of)[:-1]
    splits = np.flatnonzero((before >= least) & (units - before >= least))
    if not len(splits) or found in (0, units):
        return -1, np.nan

    def told(series):
        """Log likelihood of each split of each series, shape (series, splits)."""
        first, of_first = np.cumsum(series, axis=1)[:, splits], before[splits]
        total = np.zeros(first.shape)
        for count, size in ((first, of_first), (found - first, units - of_first)):
            total += special.xlogy(count, count / size) + special.xlogy(size - count, 1 - count / size)
        return total

    random = np.random.Generator(np.random.PCG64(found))
    drawn = random.multivariate_hypergeometric(of, found, SERIES_DRAWN, method="marginals")
    own = told(bad[np.newaxis])[0]
    as_much = np.count_nonzero(told(drawn).max(axis=1) >= own.max() - 1e-9)
    return int(splits[np.argmax(own)]) + 1, (1 + as_much) / (1 + SERIES_DRAWN)


def _interpolated(rate, of, below):
    """The share below which the probability is `below`, interpolated between whole counts.

    0 where none at all is likely enough, and 1 where all are.
    """
    limit = np.full(rate.shape, np.nan)
    known = (of > 0) & np.isfinite(rate)
    rate, of = np.clip(rate[known], 0.0, 1.0), of[known]
    count, up_to = _count_at(rate, of, below)
    most, less = up_to(count), up_to(count - 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(most > less, (most - below) / (most - less), 0.0)
    found = (count - np.minimum(share, 1.0)) / of
    limit[known] = np.where((count == of) & (below > 0.5), 1.0, np.maximum(0.0, found))
    return limit


def _count_at(rate, of, below):
    """The least count that so many or fewer reach with a probability above `below`, shape (n,).

    And the function that gives the probability of so many or fewer.
    """
    from scipy import special

    def up_to(count, at=slice(None)):
        """Probability of so many or fewer."""
        inside = special.betainc(np.maximum(of[at] - count, 0.5), np.maximum(count, 0) + 1, 1.0 - rate[at])
        return np.where(count < 0, 0.0, np.where(count >= of[at], 1.0, inside))

    middle, spread, normal = rate * of, np.sqrt(rate * (1.0 - rate) * of), special.ndtri(below)
    skewed = (normal**2 - 1.0) * (1.0 - 2.0 * rate) / 6.0
    count = np.clip(np.floor(middle + normal * spread + skewed), 0, of)
    for step in (1, -1):
        left = np.arange(len(count))
        while len(left):
            short = up_to(count[left] - (step < 0), left) <= below
            left = left[short & (count[left] < of[left]) if step > 0 else ~short & (count[left] > 0)]
            count[left] += step
    return count, up_to


def deviation(count, of, rate):
    """How far a count lies from its expectation, as a standard normal deviate: above it positive.

    From the exact binomial tail that includes the count, so that |deviation| > 1.96 happens at most 5 % of
    the time; 0 where that tail is half or more. NaN where `of` is 0 or `rate` NaN.
    """
    from scipy import special

    count, of, rate = np.broadcast_arrays(*(np.asarray(one, float) for one in (count, of, rate)))
    with np.errstate(invalid="ignore"):
        upper = np.where(count > 0, special.betainc(np.maximum(count, 1), of - count + 1, rate), 1.0)
        lower = np.where(count < of, special.betainc(np.maximum(of - count, 1), count + 1, 1.0 - rate), 1.0)
        found = np.where(count > rate * of, -special.ndtri(np.minimum(upper, 0.5)), 0.0)
        found = np.where(count < rate * of, special.ndtri(np.minimum(lower, 0.5)), found)
    return to_six_digits(np.where((of > 0) & np.isfinite(rate), found, np.nan))


def two_sided(deviates):
    """Probability of a standard normal deviate as far from 0 or farther, on either side."""
    from scipy import special

    return to_six_digits(2.0 * special.ndtr(-np.abs(deviates)))


def over_dispersion(deviates, errors, group=None, groups=1, winsorised=0.1, lost=1):
    """(phi, tau²) of each group: how much more its members differ than chance alone would make them.

    `deviates` and `errors` are (estimate - target) / error and the error, of any scale, shape (n,); `group`
    the group of each, from 0. phi is their mean square, the outer share `winsorised` at each end pulled in
    (with tenths about 0.68 where there is chance alone, so that tau² errs low); tau² the variance between
    members beyond chance, 0 where there is none. `lost` is 1 for limits; 3 makes the weight
    tau² / (tau² + error²) unbiased where all errors are equal (Efron and Morris 1975). NaN where a group has
    no more members than `lost`.

    Source: Spiegelhalter 2005, section 3.2; DerSimonian and Laird 1986. Six hospitals of a package for funnel
    plots: phi 2.948033, not pulled in.
    """
    deviates, errors = np.asarray(deviates, float), np.asarray(errors, float)
    group = np.zeros(len(deviates), np.int64) if group is None else np.asarray(group, np.int64)
    count = np.bincount(group, minlength=groups)
    low, high = (quantiles(deviates, group, count, share) for share in (winsorised, 1.0 - winsorised))
    pulled = np.clip(deviates, low[group], high[group])
    weight = 1.0 / errors**2
    with np.errstate(invalid="ignore", divide="ignore"):
        phi = np.bincount(group, pulled**2, groups) / count
        weights = np.bincount(group, weight, groups)
        scale = weights - np.bincount(group, weight**2, groups) / weights
        left = (count - lost).astype(float)
        between = (count * phi - left) / scale * ((count - 1) / left)
    enough = count > lost
    return (
        to_six_digits(np.where(enough, phi, np.nan)),
        to_six_digits(np.where(enough, np.maximum(between, 0.0), np.nan)),
    )


def quantiles(values, group, count, share):
    """The value below which a share of each group lies, interpolated between its members; NaN without any."""
    if not len(values):
        return np.full(len(count), np.nan)
    order = np.argsort(values)
    narrow = group[order].astype(np.min_scalar_type(len(count)))  # sorts fastest
    ordered = values[order[np.argsort(narrow, kind="stable")]]
    start, last = np.cumsum(count) - count, np.maximum(count - 1, 0)
    at = share * last
    below = np.minimum(start + np.floor(at).astype(np.int64), len(ordered) - 1)
    above = np.minimum(below + (at > np.floor(at)), len(ordered) - 1)
    found = ordered[below] + (at - np.floor(at)) * (ordered[above] - ordered[below])
    return np.where(count > 0, found, np.nan)


def widening(error, between, known=1.0):
    """How much wider than chance alone limits are: root of `known` + between / error².

    `between` is tau² on the scale of `error`; `known` the share of the variance that is left where the
    expectation rests on the count itself, too. 1 where `error` is 0.
    """
    error, between = np.asarray(error, float), np.nan_to_num(np.asarray(between, float))
    with np.errstate(invalid="ignore", divide="ignore"):
        return to_six_digits(np.where(error > 0, np.sqrt(known + between / error**2), 1.0))


def adjusted(probabilities, family=None):
    """Benjamini and Hochberg's adjusted p within each family; NaN stays NaN and counts in none.

    Called where it is at most q, false calls are at most a share q of calls on average, for tests that are
    independent or rise and fall together. Source: Benjamini and Hochberg 1995. (.50, .01, .001, .69, .02,
    .05, .0025): .5833, .0233, .007, .69, .035, .07, .00875.
    """
    probabilities = np.asarray(probabilities, float)
    family = np.zeros(len(probabilities), np.int64) if family is None else np.asarray(family)
    out = np.full(len(probabilities), np.nan)
    known = np.flatnonzero(np.isfinite(probabilities))
    order = known[np.lexsort((probabilities[known], family[known]))]
    for rows in np.split(order, np.flatnonzero(np.diff(family[order])) + 1):
        rank = np.arange(1, len(rows) + 1)
        stepped = np.minimum.accumulate((probabilities[rows] * len(rows) / rank)[::-1])[::-1]
        out[rows] = np.minimum(stepped, 1.0)
    return to_six_digits(out)


# ---- rates shrunken toward what is expected


def strength(rate, between):
    """How many visits a beta prior of mean `rate` and variance `between` weighs; at least 1."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return to_six_digits(np.maximum(np.asarray(rate) * (1.0 - np.asarray(rate)) / between - 1.0, 1.0))


def shrunken(count, of, rate, weight):
    """(rate, low, high): a share drawn toward `rate` as if `weight` more visits had shown just that.

    The mean and the 95 % interval of a beta-binomial model with mean `rate` and strength `weight`. Source:
    empirical Bayes, as D. Robinson explains it. Prior 78.661 and 224.875: 4 of 10 gives 0.264 (from memory).
    """
    from scipy import special

    bad = np.asarray(count, float) + np.asarray(rate, float) * weight
    good = np.asarray(of, float) - np.asarray(count, float) + (1.0 - np.asarray(rate, float)) * weight
    known = (bad > 0) & (good > 0)
    bad, good = np.where(known, bad, np.nan), np.where(known, good, np.nan)
    limits = (special.betaincinv(bad, good, tail) for tail in (0.025, 0.975))
    return tuple(to_six_digits(one) for one in (bad / (bad + good), *limits))


# ---- two who looked at the same


def kappa(tables):
    """(kappa, low, high) of tables of counts of shape (..., k, k): agreement beyond chance, 95 % interval.

    NaN where either saw one category only and both the same: agreement by chance is then certain. Where all
    pairs agree the large-sample error is 0: the lower end is then the one that Wilson's limit of the raw
    agreement gives. Sources: Cohen 1960; error: Fleiss, Cohen and Everitt 1969. 20, 5 / 10, 15: 0.40.
    """
    tables = np.asarray(tables, float)
    count = tables.sum((-2, -1))
    with np.errstate(invalid="ignore", divide="ignore"):
        shares = tables / count[..., None, None]
        first, second = shares.sum(-1), shares.sum(-2)
        same = np.einsum("...ii->...i", shares)
        seen, chance = same.sum(-1), (first * second).sum(-1)
        found = (seen - chance) / (1.0 - chance)
        beyond = 1.0 - found
        diagonal = (same * (1.0 - (first + second) * beyond[..., None]) ** 2).sum(-1)
        every = (shares * (second[..., :, None] + first[..., None, :]) ** 2).sum((-2, -1))
        apart = beyond**2 * (every - (same * (first + second) ** 2).sum(-1))
        variance = diagonal + apart - (found - chance * beyond) ** 2
        half = NORMAL_95 * np.sqrt(np.maximum(variance, 0.0) / count) / (1.0 - chance)
        at_least = (wilson_interval(seen * count, count)[0] - chance) / (1.0 - chance)
    unclear = ~np.isfinite(found)
    low = np.where(seen == 1.0, at_least, np.maximum(found - half, -1.0))
    high = np.minimum(found + half, 1.0)
    return tuple(to_six_digits(np.where(unclear, np.nan, one)) for one in (found, low, high))


# ---- samples drawn from a lot without putting back


def smallest_sample(lot, bad, level=0.95):
    """Fewest to draw from `lot` so that, were `bad` of them bad, one at least is drawn with that probability.

    The whole lot where `bad` is 0. Hypergeometric, exact. Of 100 with 10 bad: 25; of 1,000 with 100: 29.
    """
    lot, bad = np.broadcast_arrays(np.asarray(lot, np.int64), np.asarray(bad, np.int64))
    low, high = np.zeros(lot.shape, np.int64), lot.copy()
    while (low < high).any():
        middle = (low + high) // 2
        enough = _none_drawn(lot, bad, middle) <= (1.0 - level) * (1.0 + 1e-9)
        low, high = np.where(enough | (low >= high), low, middle + 1), np.where(enough, middle, high)
    return low


def _none_drawn(lot, bad, drawn):
    from scipy import special

    inside = drawn <= lot - bad
    left = np.where(inside, lot - bad - drawn, 0)
    logs = special.gammaln([lot - bad + 1.0, lot - drawn + 1.0, left + 1.0, lot + 1.0])
    return np.where(inside, np.exp(logs[0] + logs[1] - logs[2] - logs[3]), 0.0)


def most_bad(lot, drawn, found, level=0.95):
    """Most bad ones in `lot` that a random sample with `found` bad of `drawn` leaves likely, one-sided.

    With more, so few would have been drawn with probability 1 - level or less. Hypergeometric, exact. None
    of 45 of a very large lot, at 90 %: 4.99 % (Financial Audit Manual, figure 450.1).
    """
    lot, drawn, found = np.broadcast_arrays(*(np.asarray(one, np.int64) for one in (lot, drawn, found)))
    low, high = found.copy(), lot - drawn + found
    while (low < high).any():
        middle = (low + high + 1) // 2
        likely = _so_few(lot, middle, drawn, found) > 1.0 - level
        low, high = np.where(likely, middle, low), np.where(likely | (low >= high), high, middle - 1)
    return low


def _so_few(lot, bad, drawn, found):
    """Probability that a sample holds so many bad ones or fewer."""
    from scipy import special

    def log_ways(of, taken):
        possible = (taken >= 0) & (taken <= of)
        taken = np.where(possible, taken, 0)
        ways = special.gammaln(of + 1.0) - special.gammaln(taken + 1.0) - special.gammaln(of - taken + 1.0)
        return np.where(possible, ways, -np.inf)

    every, total = log_ways(lot, drawn), np.zeros(lot.shape)
    for count in range(int(found.max(initial=-1)) + 1):
        ways = log_ways(bad, np.full(lot.shape, count)) + log_ways(lot - bad, drawn - count)
        total = total + np.where(count <= found, np.exp(ways - every), 0.0)
    return total
