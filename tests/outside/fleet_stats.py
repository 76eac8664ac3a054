#!/usr/bin/env python3
"""The fleet's mathematics on random data: against SciPy, statsmodels, scikit-learn and GeographicLib, and against slow,
obvious integration where no library has the method.

`fleet_stats_program` (an example of the package, see tests/outside/fleet_stats_program.rs) takes all questions at once.
"""

import itertools
import json
import os
import subprocess
import sys

import numpy as np
import scipy.optimize
import scipy.sparse
import scipy.special
import scipy.stats
import sklearn.cluster
import statsmodels.api as sm
from geographiclib.geodesic import Geodesic
from statsmodels.genmod.bayes_mixed_glm import PoissonBayesMixedGLM
from statsmodels.regression.mixed_linear_model import MixedLM
from statsmodels.robust.norms import TukeyBiweight

from common import ROOT, Tally

PROGRAM = os.environ.get("YARDTAP_FLEET_STATS") or str(ROOT / "target/debug/examples/fleet_stats_program")
rng = np.random.default_rng(20260314)
tally = Tally()
questions, judges = [], []


def ask(judge, call, **fields):
    """Puts a question; `judge` gets the answer."""
    plain = {k: v.tolist() if isinstance(v, np.ndarray) else v for k, v in fields.items()}
    questions.append({"call": call, **plain})
    judges.append(judge)


def near(what, got, wanted, relative=1e-9, absolute=0.0):
    got, wanted = np.atleast_1d(np.asarray(got, float)), np.atleast_1d(np.asarray(wanted, float))
    if got.shape != wanted.shape:
        tally.fail(what, f"{got.shape} is not {wanted.shape}")
        return
    for g, w in zip(got.ravel(), wanted.ravel()):
        tally.near(what, float(g), float(w), relative * abs(w) + absolute)


# Exact limits.
for _ in range(60):
    count, level = int(rng.integers(0, 400)), float(rng.uniform(0.5, 0.99))
    tail = (1 - level) / 2
    low = scipy.stats.chi2.ppf(tail, 2 * count) / 2 if count else 0.0
    high = scipy.stats.chi2.ppf(1 - tail, 2 * count + 2) / 2
    ask(lambda a, w=(low, high): near("poisson_limits", a, w, 1e-8), "poisson_limits", count=count, level=level)

# Least squares.
for _ in range(15):
    n, p = int(rng.integers(8, 60)), int(rng.integers(1, 6))
    x = np.column_stack([np.ones(n), rng.normal(size=(n, p)) * 10 ** rng.uniform(-3, 3, p)])
    y = x @ rng.normal(size=p + 1) + rng.normal(size=n)
    fit = sm.OLS(y, x).fit()

    def judge(a, fit=fit):
        near("ordinary: coefficients", a["coefficients"], fit.params, 1e-7, 1e-12)
        near("ordinary: errors", a["standard_errors"], fit.bse, 1e-8)
        near("ordinary: residual", a["residual_sd"], np.sqrt(fit.mse_resid), 1e-8)
        near("ordinary: r²", a["r_squared"], fit.rsquared, 1e-8, 1e-10)

    ask(judge, "ordinary", columns=x.T, y=y)

# Poisson regression.
for _ in range(15):
    n, p = int(rng.integers(20, 80)), int(rng.integers(1, 4))
    x = np.column_stack([np.ones(n), rng.normal(size=(n, p))])
    offset = rng.uniform(-2, 3, n)
    counts = rng.poisson(np.exp(offset + x @ np.r_[0.5, rng.normal(size=p) * 0.5]))
    fit = sm.GLM(counts, x, offset=offset, family=sm.families.Poisson()).fit(tol=1e-12)

    def judge(a, fit=fit):
        near("glm: coefficients", a["coefficients"], fit.params, 1e-6, 1e-8)
        near("glm: errors", a["standard_errors"], fit.bse, 1e-6)
        near("glm: deviance", a["deviance"], fit.deviance, 1e-8, 1e-8)
        near("glm: Pearson", a["pearson"], fit.pearson_chi2, 1e-6)
        near("glm: likelihood", a["log_likelihood"], fit.llf, 1e-9)

    ask(judge, "glm", columns=x.T, counts=counts, offset=offset)

# Theil–Sen, with and without ties.
for case in range(40):
    n = int(rng.integers(4, 40))
    x = rng.uniform(0, 100, n) if case % 2 else rng.integers(0, n, n).astype(float)
    y = 0.3 * x + rng.standard_t(2, n)
    if case % 4 >= 2:
        y = np.round(y)
    if len(set(x)) < 2:
        continue
    level = float(rng.uniform(0.8, 0.97))
    want = scipy.stats.theilslopes(y, x, alpha=level, method="joint")
    ask(lambda a, w=want: near("theil_sen", a, [w.slope, w.intercept, w.low_slope, w.high_slope], 1e-9, 1e-12),
        "theil_sen", x=x, y=y, level=level)

# Mann–Kendall: exact where few, by the formula where many or tied.
for case in range(40):
    n = int(rng.integers(3, 11)) if case % 2 else int(rng.integers(11, 60))
    y = rng.normal(size=n) + rng.uniform(-0.2, 0.2) * np.arange(n)
    if case % 4 == 0:
        y = np.round(y)
    s = sum(int(np.sign(b - a)) for a, b in itertools.combinations(y, 2))
    part = lambda t: t * (t - 1) * (2 * t + 5)
    variance = (part(n) - sum(part(int(t)) for t in np.unique(y, return_counts=True)[1])) / 18

    def judge(a, n=n, y=y, s=s, variance=variance):
        tally.check("mann_kendall: score", a["s"], s)
        near("mann_kendall: variance", a["variance"], variance, 1e-12)
        if n <= 10 and len(set(y)) == n:
            near("mann_kendall: exact p", a["p"], scipy.stats.kendalltau(np.arange(n), y, method="exact").pvalue, 1e-9)
        else:
            z = (s - np.sign(s)) / np.sqrt(variance) if variance else 0.0
            near("mann_kendall: p", a["p"], 2 * scipy.stats.norm.sf(abs(z)), 1e-7)

    ask(judge, "mann_kendall", y=y)

# Spearman: all orders where few, Student's t where many.
for case in range(24):
    n = int(rng.integers(4, 8)) if case % 2 else int(rng.integers(11, 50))
    x, y = rng.normal(size=n), rng.normal(size=n)
    if case % 4 == 0:
        x = np.round(x)
    want = scipy.stats.spearmanr(x, y)
    p = want.pvalue
    if n < 8:
        rank, other = scipy.stats.rankdata(x), scipy.stats.rankdata(y)
        rhos = [np.corrcoef(rank, order)[0, 1] for order in itertools.permutations(other)]
        p = np.mean(np.abs(rhos) >= abs(want.statistic) - 1e-9)
    ask(lambda a, w=want, p=p: near("spearman", a, [w.statistic, p], 1e-7, 1e-10), "spearman", x=x, y=y)

# Geodesics and clusters.
start = np.column_stack([rng.uniform(-80, 80, 200), rng.uniform(-180, 180, 200)])
end = start + rng.normal(size=(200, 2)) * np.where(rng.uniform(size=(200, 1)) < 0.5, 1e-3, 5.0)
wanted = [Geodesic.WGS84.Inverse(a, b, c, d)["s12"] for (a, b), (c, d) in zip(start, end)]
ask(lambda a: near("metres", a, wanted, 1e-11, 1e-7), "metres", **{"from": start, "to": end})
for case in range(4):
    middles = np.column_stack([rng.uniform(47.2, 47.202, 8), rng.uniform(8.5, 8.503, 8)])
    points = middles[rng.integers(0, 8, 120)] + rng.normal(size=(120, 2)) * [8e-5, 1.2e-4]
    distance = np.zeros((120, 120))
    for i, j in itertools.combinations(range(120), 2):
        distance[i, j] = distance[j, i] = Geodesic.WGS84.Inverse(*points[i], *points[j])["s12"]
    metres, least = [10.0, 15.0, 20.0, 12.0][case], [3, 4, 6, 2][case]
    labels = sklearn.cluster.DBSCAN(eps=metres, min_samples=least, metric="precomputed").fit(distance).labels_
    ask(lambda a, w=labels: tally.check("dbscan", a, [None if l < 0 else int(l) for l in w]),
        "dbscan", points=points, metres=metres, least=least)

power = rng.uniform(1, 200, 20)
ask(lambda a: near("dbm", a, 10 * np.log10(power / 1000)), "dbm", microwatts=power)

# Chance: the streams are what they are named after.
for shape in (0.4, 2.5, 40.0):
    ask(lambda a, s=shape: tally.true(f"gamma {s}", scipy.stats.kstest(a, scipy.stats.gamma(s).cdf).pvalue > 1e-4),
        "gamma", shape=shape, seed=5, draws=20_000)
for mean in (0.7, 12.0, 55.0):
    def judge(a, m=mean):
        got = np.bincount(a, minlength=200)[:200]
        expected = scipy.stats.poisson(m).pmf(np.arange(200)) * len(a)
        use = expected > 5
        rest = (got[~use].sum(), expected[~use].sum())
        x2 = ((got[use] - expected[use]) ** 2 / expected[use]).sum() + (rest[0] - rest[1]) ** 2 / max(rest[1], 1e-9)
        tally.true(f"poisson {m}", scipy.stats.chi2(use.sum()).sf(x2) > 1e-4)
    ask(judge, "poisson", mean=mean, seed=6, draws=20_000)


# Gamma-Poisson: the likeliest prior by another optimizer, rates by a fine sum over a far wider grid.
def log_marginal(counts, exposures, log_shape, log_mean):
    shape = np.exp(log_shape)
    p = 1 / (1 + exposures * np.exp(log_mean - log_shape))
    return scipy.stats.nbinom.logpmf(counts, shape, p).sum(axis=-1)


for case in range(6):
    n = [5, 5, 12, 30, 60, 60][case]
    exposures = rng.uniform(2, 20, n)
    shape, mean = [(0.8, 0.5), (3, 1), (2, 0.3), (1.2, 0.5), (4, 1), (15, 0.4)][case]
    counts = rng.poisson(exposures * rng.gamma(shape, mean / shape, n))
    if counts.sum() == 0:
        counts[0] = 1
    pooled = np.log(counts.sum() / exposures.sum())
    best = scipy.optimize.minimize(lambda v: -log_marginal(counts, exposures, *v), [0.0, pooled], method="Nelder-Mead",
                                   bounds=[(-7, 13.8155), (pooled - 9, pooled + 9)],
                                   options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000})
    a_grid = np.linspace(-7, 13.8155, 160)
    m_grid = pooled + np.linspace(-7, 7, 281)
    weight = np.array([[log_marginal(counts, exposures, a, m) - 2.5 * np.log1p(np.exp(-a) / 4) - a / 2
                        - ((m - pooled) / 3) ** 2 / 2 for m in m_grid] for a in a_grid])
    weight = np.exp(weight - weight.max())
    weight /= weight.sum()
    keep = weight > 1e-8
    a, m = np.meshgrid(a_grid, m_grid, indexing="ij")
    a, m, weight = a[keep], m[keep], weight[keep]
    rows, draws = [], np.zeros((20_000, n))
    which = rng.choice(len(weight), 20_000, p=weight / weight.sum())
    for i in range(n):
        post_shape, post_rate = np.exp(a) + counts[i], np.exp(a - m) + exposures[i]
        e = (weight * post_shape / post_rate).sum()
        sd = np.sqrt((weight * (post_shape / post_rate**2 + (post_shape / post_rate) ** 2)).sum() - e * e)
        cdf = lambda r: (weight * scipy.special.gammainc(post_shape, post_rate * r)).sum()
        ends = [scipy.optimize.brentq(lambda r: cdf(r) - p, 1e-12, e + 40 * sd) for p in (0.05, 0.95)]
        rows.append([e, sd, *ends])
        draws[:, i] = rng.gamma(post_shape[which]) / post_rate[which]
    k = max(1, n // 5)
    worst = (np.argsort(np.argsort(-draws, axis=1), axis=1) < k).mean(axis=0)

    def judge(a, best=best, rows=np.array(rows), worst=worst, n=n):
        near("gamma_poisson: likelihood", a["log_likelihood"], -best.fun, 1e-9, 1e-6)
        if best.x[0] < 6:
            near("gamma_poisson: shape", a["shape"], np.exp(best.x[0]), 1e-3)
            near("gamma_poisson: mean", a["shape"] / a["rate"], np.exp(best.x[1]), 1e-3)
        else:
            # Flat to the right: any great shape is as good.
            tally.true("gamma_poisson: great shape", a["shape"] > 100)
        got = np.array(a["posteriors"])
        for j, what in enumerate(("mean", "sd", "5 %", "95 %")):
            near(f"gamma_poisson of {n}: {what}", got[:, j], rows[:, j], 0.004, 0.002 * rows[:, 1].mean())
        near(f"worst of {n}", a["worst"], worst, 0, 0.02)

    ask(judge, "gamma_poisson", counts=counts, exposures=exposures, k=k)

# Robust regression: at rest by statsmodels' own functions; MM-estimates; and clean groups against its mixed model.
norm = TukeyBiweight(c=4.685)


def m_scale(residuals, used):
    """The scale at which half of the biweight's greatest value is reached."""
    half = TukeyBiweight(c=1.5476445)
    excess = lambda s: (half.rho(residuals / s) / half.rho(1e9)).sum() - 0.5 * (len(residuals) - used)
    return scipy.optimize.brentq(excess, 1e-6, 1e6)


def least_scale(x, y):
    """The S-estimate's scale, from many random subsets, each improved by reweighting."""
    half, least = TukeyBiweight(c=1.5476445), np.inf
    for _ in range(150):
        rows = rng.choice(len(y), x.shape[1], replace=False)
        b = np.linalg.lstsq(x[rows], y[rows], rcond=None)[0]
        s = m_scale(y - x @ b, x.shape[1])
        for _ in range(200):
            root = np.sqrt(half.weights((y - x @ b) / s))
            b = np.linalg.lstsq(x * root[:, None], y * root, rcond=None)[0]
            before, s = s, m_scale(y - x @ b, x.shape[1])
            if s > before * (1 - 1e-9):
                break
        least = min(least, s)
    return least


for case in range(6):
    n, p = int(rng.integers(25, 90)), int(rng.integers(1, 4))
    x = np.column_stack([np.ones(n), rng.normal(size=(n, p))])
    y = x @ rng.normal(size=p + 1) + rng.normal(size=n)
    y[rng.choice(n, n // 6, replace=False)] += rng.choice([-1, 1]) * rng.uniform(8, 30)
    if case == 0:
        data = sm.datasets.stackloss.load_pandas()
        x, y = sm.add_constant(data.exog).values, data.endog.values
        n, p = 21, 3

    def judge(a, case=case, x=x, y=y, n=n, p=p):
        b, s = np.array(a["coefficients"]), a["scale"]
        u = (y - x @ b) / s
        length = np.linalg.norm(x, axis=0)
        near("robust: at rest", (x.T @ norm.psi(u)) / length, np.zeros(p + 1), 0, 1e-5)
        # Reweighted by statsmodels from another start, with the same scale.
        other = b + 0.3 * np.array(a["standard_errors"])
        for _ in range(2000):
            root = np.sqrt(norm.weights((y - x @ other) / s))
            other = np.linalg.lstsq(x * root[:, None], y * root, rcond=None)[0]
        near("robust: coefficients", b, other, 1e-5, 1e-5 * np.abs(other).max())
        error = s * np.sqrt((norm.psi(u) ** 2).sum() / (n - p - 1)) / norm.psi_deriv(u).mean()
        near("robust: errors", a["standard_errors"], error * np.sqrt(np.diag(np.linalg.inv(x.T @ x))), 1e-4)
        near("robust: weights", a["weights"], norm.weights(u), 1e-5, 1e-6)
        near("robust: scale", s, least_scale(x, y), 1e-6)

    ask(judge, "robust", columns=x.T, y=y, group=[], groups=0)

for case in range(4):
    vehicles, days = int(rng.integers(10, 30)), int(rng.integers(15, 40))
    group = np.repeat(np.arange(vehicles), days)
    x = np.column_stack([np.ones(len(group)), rng.normal(size=(len(group), 2))])
    effects = rng.normal(size=vehicles) * 0.8
    y = x @ [3, 1, -0.5] + effects[group] + rng.normal(size=len(group))
    fit = MixedLM(y, x, group).fit(reml=True)

    def judge(a, fit=fit, vehicles=vehicles):
        got = np.array(a["effects"])
        wanted = np.array([fit.random_effects[v].iloc[0] for v in range(vehicles)])
        # Tukey's function is 95 % efficient: on clean data it differs from least squares by a quarter of an error or so.
        near("robust groups: effects", got[:, 0], wanted, 0, 0.6 * np.median(got[:, 1]))
        tally.true("robust groups: correlation", np.corrcoef(got[:, 0], wanted)[0, 1] > 0.99)
        for j in range(3):
            near("robust groups: coefficients", a["coefficients"][j], fit.fe_params[j], 0, 0.6 * fit.bse_fe[j])
            near("robust groups: errors", a["standard_errors"][j], fit.bse_fe[j], 0.15)
        near("robust groups: spread", a["spread"], np.sqrt(fit.cov_re[0, 0]), 0.15)

    ask(judge, "robust", columns=x.T, y=y, group=group, groups=vehicles)


# One factor: by brute integration over effects, usual rate and spread.
def half_t(sd):
    return -2.5 * np.log1p(sd * sd / 4)


for case in range(4):
    levels = [6, 8, 12, 10][case]
    exposures = rng.uniform(20, 60, levels)
    sd_true = [0.6, 0.3, 1.0, 0.05][case]
    counts = rng.poisson(exposures * 0.4 * np.exp(rng.normal(size=levels) * sd_true))
    log_sds = np.linspace(np.log(0.01), np.log(5), 80)
    usual = np.log(counts.sum() / exposures.sum()) + np.linspace(-3, 3, 181)
    z = np.linspace(-6, 6, 481)
    normal = np.exp(-z * z / 2)
    normal /= normal.sum()
    log_weight = np.zeros((len(log_sds), len(usual)))
    moments = np.zeros((2, len(log_sds), len(usual), levels))
    for i, log_sd in enumerate(log_sds):
        u = np.exp(log_sd) * z
        eta = usual[:, None] + u[None, :]
        for l in range(levels):
            like = counts[l] * eta - exposures[l] * np.exp(eta)
            top = like.max()
            part = np.exp(like - top) * normal
            total = part.sum(axis=1)
            log_weight[i] += np.log(np.maximum(total, 1e-300)) + top
            moments[0, i, :, l] = (part * u).sum(axis=1) / np.maximum(total, 1e-300)
            moments[1, i, :, l] = (part * u * u).sum(axis=1) / np.maximum(total, 1e-300)
        log_weight[i] += half_t(np.exp(log_sd)) + log_sd
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    mean = (weight[:, :, None] * moments[0]).sum(axis=(0, 1))
    sd = np.sqrt((weight[:, :, None] * moments[1]).sum(axis=(0, 1)) - mean**2)
    cdf = weight.sum(axis=1).cumsum()
    ends = np.exp(np.interp([0.5, 0.05, 0.95], cdf, log_sds))

    def judge(a, mean=mean, sd=sd, ends=ends, sd_true=sd_true):
        got = np.array(a["factors"][0]["effects"])
        near(f"one factor {sd_true}: effects", got[:, 0], mean, 0.02, 0.06 * sd.mean())
        near(f"one factor {sd_true}: errors", got[:, 1], sd, 0.06)
        # Laplace's approximation and the grid's steps, in a spread that is hardly known itself. The grid ends at a hundredth:
        # the lower ends of spreads of a few hundredths, which are as good as none, lie a little high.
        near(f"one factor {sd_true}: spread", a["factors"][0]["sd"], ends, 0.13, 0.008)
        near("one factor: share", a["factors"][0]["share"], [1, 1, 1], 1e-12)

    ask(judge, "mixed", counts=counts, exposures=exposures, levels=[[l] for l in range(levels)], sizes=[levels])

# Two factors against statsmodels' variational fit, which has another prior for the spreads and narrower errors.
for case in range(2):
    sizes = [(12, 15), (20, 10)][case]
    truth = [rng.normal(size=size) * sd for size, sd in zip(sizes, (0.7, 0.5))]
    levels = np.column_stack([rng.integers(0, size, 500) for size in sizes])
    # It knows no offset.
    exposures = np.full(500, 10.0)
    counts = rng.poisson(exposures * 0.2 * np.exp(truth[0][levels[:, 0]] + truth[1][levels[:, 1]]))
    design = np.column_stack([levels[:, f][:, None] == np.arange(size) for f, size in enumerate(sizes)]).astype(float)
    ident = np.repeat(np.arange(2), sizes)
    model = PoissonBayesMixedGLM(counts, np.ones((500, 1)), scipy.sparse.csr_matrix(design), ident, vcp_p=1, fe_p=5)
    fit = model.fit_vb()

    def judge(a, fit=fit, sizes=sizes, truth=truth):
        at = 0
        for f, size in enumerate(sizes):
            got, other = np.array(a["factors"][f]["effects"]), fit.vc_mean[at : at + size]
            near("two factors: effects", got[:, 0] - got[:, 0].mean(), other - other.mean(), 0, 0.5 * np.median(got[:, 1]))
            near("two factors: spreads", np.log(a["factors"][f]["sd"][0]), fit.vcp_mean[f], 0, 0.25)
            tally.true("two factors: correlation", np.corrcoef(got[:, 0], other)[0, 1] > 0.99)
            at += size
        tally.check("two factors: told apart", a["told_apart"], True)

    ask(judge, "mixed", counts=counts, exposures=exposures, levels=levels, sizes=list(sizes))

run = subprocess.run([PROGRAM], input=json.dumps(questions), capture_output=True, text=True)
if run.returncode:
    sys.exit(f"{PROGRAM}: exit status {run.returncode}\n{run.stderr[:3000]}")
answers = json.loads(run.stdout)
tally.check("number of answers", len(answers), len(questions))
for question, judge, answer in zip(questions, judges, answers):
    if answer is None:
        tally.fail(question["call"], "no answer")
    else:
        judge(answer)
tally.end(at_least=1500)
