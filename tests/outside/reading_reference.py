"""Reference values for the reading room, by scipy and statsmodels.

Without arguments: recomputes every value and compares it with fixtures/reading/reference.json, which the Rust
tests read. With --write: writes that file. Exits non-zero on a difference.
"""

import json
import pathlib
import sys

import numpy as np
import scipy.stats as st
import statsmodels.api as sm
from scipy import integrate, special

FILE = pathlib.Path(__file__).resolve().parents[2] / "fixtures" / "reading" / "reference.json"


def distributions():
    return {
        "normal_below": [[z, st.norm.cdf(z)] for z in (-4.0, -1.96, -0.3, 0.0, 0.7, 1.645, 3.5)],
        "student_below": [[t, df, st.t.cdf(t, df)] for t in (-3.0, -0.5, 0.2, 1.9, 6.0) for df in (1.0, 3.0, 12.0, 98.0)],
        "student_quantile": [[p, df, st.t.ppf(p, df)] for p in (0.9, 0.975, 0.995) for df in (1.0, 3.0, 12.0, 98.0)],
    }


def quantiles():
    values = [5.5, 1.0, 3.25, 9.0, 2.0, 7.75, 4.0]
    return {
        "values": values,
        "at": [[q, float(np.quantile(values, q))] for q in (0.0, 0.1, 0.25, 0.5, 0.75, 0.9, 1.0)],
        "sd": float(np.std(values, ddof=1)),
    }


def weighted():
    """Known variances: statsmodels' WLS with its scale held at 1, widened by the Birge ratio where that is above 1."""
    cases = []
    rng = np.random.default_rng(7)
    for scatter in (0.3, 3.0):
        x = np.array([-3.1, -2.0, -1.4, -0.5, 0.0])
        variance = np.array([0.5, 0.3, 0.4, 0.2, 0.25]) ** 2
        y = 8.0 - 1.2 * x + scatter * np.sqrt(variance) * rng.standard_normal(x.size)
        model = sm.WLS(y, sm.add_constant(x), weights=1 / variance)
        fixed = model.fit(cov_type="fixed scale")
        birge = max(1.0, np.sqrt(model.fit().scale))
        cases.append(
            {
                "x": x.tolist(),
                "y": y.tolist(),
                "variance": variance.tolist(),
                "intercept": fixed.params[0],
                "slope": fixed.params[1],
                "slope_se": fixed.bse[1] * birge,
            }
        )
    return cases


def pairs():
    rng = np.random.default_rng(11)
    r2star = np.sort(rng.uniform(40, 900, 40))
    x = r2star * (1 + 0.05 * rng.standard_normal(40))
    y = (0.026 * r2star - 0.2) * (1 + 0.12 * rng.standard_normal(40))
    return x, y


def deming():
    """Total least squares along the same error ratio: the direction of the largest singular value."""
    x, y = pairs()
    cases = []
    for ratio in (1e-4, 7e-4, 1e-2):
        def line(a, b):
            scaled = np.column_stack([(a - a.mean()) * np.sqrt(ratio), b - b.mean()])
            along = np.linalg.svd(scaled)[2][0]
            slope = along[1] / along[0] * np.sqrt(ratio)
            return slope, b.mean() - slope * a.mean()

        n = len(x)
        slope, intercept = line(x, y)
        left = np.array([line(np.delete(x, i), np.delete(y, i)) for i in range(n)])
        pseudo = n * np.array([slope, intercept]) - (n - 1) * left
        reach = st.t.ppf(0.975, n - 2) * pseudo.std(axis=0, ddof=1) / np.sqrt(n)
        cases.append({"ratio": ratio, "slope": slope, "intercept": intercept, "reach": reach.tolist()})
    return {"x": x.tolist(), "y": y.tolist(), "cases": cases}


def passing_bablok():
    """Where no pairwise slope is below -1 the line is the median of slopes with Sen's limits: scipy's theilslopes.
    The data below have such slopes only in the second case, where the shift by their number is applied by hand."""
    y = pairs()[1]
    x = np.linspace(40, 900, 40)
    slope, _, low, high = st.theilslopes(y, x, 0.95)
    cases = [{"x": x.tolist(), "y": y.tolist(), "slope": slope, "low": low, "high": high}]
    rng = np.random.default_rng(3)
    a = rng.uniform(0, 10, 25)
    b = a + 2.5 * rng.standard_normal(25)
    slopes = np.sort([(b[j] - b[i]) / (a[j] - a[i]) for i in range(25) for j in range(i + 1, 25)])
    below = int((slopes < -1).sum())
    n = slopes.size
    middle = slopes[n // 2 - 1 + below : n // 2 + 1 + below].mean() if n % 2 == 0 else slopes[n // 2 + below]
    c = st.norm.ppf(0.975) * np.sqrt(25 * 24 * 55 / 18)
    lowest = int(round((n - c) / 2))
    cases.append(
        {
            "x": a.tolist(),
            "y": b.tolist(),
            "slope": float(middle),
            "low": float(slopes[lowest + below - 1]),
            "high": float(slopes[n - lowest + below]),
        }
    )
    return cases


def agreement():
    x, y = pairs()
    differences = 0.026 * x - 0.2 - y
    n = differences.size
    return {
        "a": (0.026 * x - 0.2).tolist(),
        "b": y.tolist(),
        "bias": differences.mean(),
        "sd": differences.std(ddof=1),
        "limit_reach": st.t.ppf(0.975, n - 1) * differences.std(ddof=1) * np.sqrt(1 / n + 1.96**2 / (2 * (n - 1))),
    }


def log_density(s, a, n):
    """Noncentral chi with 2n degrees of freedom."""
    return n * np.log(s) - (n - 1) * np.log(a) - 0.5 * (s - a) ** 2 + np.log(special.ive(n - 1, s * a))


def information(a, n):
    """Numerical Fisher information: the score by central differences of the log density, squared, integrated."""
    step = 1e-4 * max(a, 0.1)

    def integrand(s):
        score = (log_density(s, a + step, n) - log_density(s, a - step, n)) / (2 * step)
        return np.exp(log_density(s, a, n)) * score**2

    low, high = max(1e-3, a - 9), a + 9 + np.sqrt(2 * n)
    return integrate.quad(integrand, low, high, limit=400, epsabs=1e-10, epsrel=1e-8)[0]


def fisher():
    amplitudes = (0.2, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 18.0)
    table = [[a, n, information(a, n)] for n in (1.0, 2.5, 8.0) for a in amplitudes]
    bounds = []
    for n in (1.0, 8.0):
        for times, snr, r2star in (
            ([1e-3 * k for k in range(1, 13)], 50.0, 30.0),
            ([1e-3 * k for k in range(1, 13)], 50.0, 400.0),
            ([1e-3 * k for k in range(1, 13)], 40.0, 1000.0),
            ([0.9e-3 + 0.7e-3 * k for k in range(12)], 50.0, 1200.0),
            ([1.2e-3 + 2e-3 * k for k in range(6)], 25.0, 150.0),
        ):
            matrix = np.zeros((2, 2))
            for t in times:
                a = snr * np.exp(-r2star * t)
                gradient = np.array([a / snr, -t * a])
                matrix += information(max(a, 1e-3), n) * np.outer(gradient, gradient)
            bound = float(np.sqrt(np.linalg.inv(matrix)[1, 1]))
            bounds.append({"times": times, "snr": snr, "r2star": r2star, "n": n, "bound": bound})
    return {"information": table, "bounds": bounds}


def same(a, b, path, wrong):
    if isinstance(a, dict):
        if sorted(a) != sorted(b):
            wrong.append(f"{path}: keys {sorted(a)} and {sorted(b)}")
            return 0
        return sum(same(a[k], b[k], f"{path}.{k}", wrong) for k in a)
    if isinstance(a, list):
        if len(a) != len(b):
            wrong.append(f"{path}: lengths {len(a)} and {len(b)}")
            return 0
        return sum(same(p, q, f"{path}[{i}]", wrong) for i, (p, q) in enumerate(zip(a, b)))
    if not abs(a - b) <= 1e-7 * max(1e-3, abs(a), abs(b)):
        wrong.append(f"{path}: computed {a!r}, in the file {b!r}")
    return 1


def main():
    values = {
        "distributions": distributions(),
        "quantiles": quantiles(),
        "weighted": weighted(),
        "deming": deming(),
        "passing_bablok": passing_bablok(),
        "agreement": agreement(),
        "fisher": fisher(),
    }
    values = json.loads(json.dumps(values, default=float))
    if "--write" in sys.argv:
        FILE.parent.mkdir(parents=True, exist_ok=True)
        FILE.write_text(json.dumps(values, indent=1) + "\n")
        return 0
    wrong = []
    count = same(values, json.loads(FILE.read_text()), "reference", wrong)
    print("\n".join(wrong))
    print(f"{count - len(wrong)} passed, {len(wrong)} failed")
    return 1 if wrong or count < 100 else 0


if __name__ == "__main__":
    sys.exit(main())
