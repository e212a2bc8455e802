"""The calibrations file by another YAML parser, and a site's own calibration by numpy and scipy, against the program.

Usage: reading_commands.py [path of the program]
"""

import json
import math
import pathlib
import subprocess
import sys
import tempfile

import numpy as np
import scipy.stats as st
import yaml

from reading_reference import pairs

ROOT = pathlib.Path(__file__).resolve().parents[2]
PROGRAM = sys.argv[1] if len(sys.argv) > 1 else str(ROOT / "target" / "release" / "siderolog")
passed, failed = 0, 0


def check(holds, what):
    global passed, failed
    if holds:
        passed += 1
    else:
        failed += 1
        print("FAILED:", what)


def run(*arguments):
    done = subprocess.run([PROGRAM, *arguments], capture_output=True, text=True)
    return done.returncode, done.stdout, done.stderr


def lic(equation, r2star):
    if "linear" in equation:
        return equation["linear"]["slope"] * r2star + equation["linear"]["intercept"]
    power = equation["power_of_t2star_ms"]
    return power["factor"] * (1000 / r2star) ** power["exponent"]


def calibrations():
    entries = yaml.safe_load((ROOT / "config" / "calibrations.yaml").read_text())["calibrations"]
    for r2star in (30.0, 100.0, 400.0, 1000.0):
        status, out, _ = run("calibrations", "--json", "--r2star", str(r2star))
        check(status == 0, "calibrations --json")
        listed = json.loads(out)["calibrations"]
        check([c["name"] for c in listed] == [e["name"] for e in entries], "names in order")
        for one, entry in zip(listed, entries):
            check(math.isclose(one["lic_mg_per_g"], lic(entry["equation"], r2star), rel_tol=1e-12), f"{entry['name']} at {r2star}")
            check(one["accepts"] == [a["model"] for a in entry["accepts"]], f"{entry['name']} models")
            check(one["field_strength_t"] == entry["field_strength_t"], f"{entry['name']} field")
    rules = yaml.safe_load((ROOT / "config" / "follow-up.yaml").read_text())
    check(rules["repeatability"]["same_scanner"]["percent"] == 4.6, "repeatability")


def calibrate():
    x, y = pairs()
    with tempfile.TemporaryDirectory() as folder:
        file = pathlib.Path(folder) / "pairs.csv"
        rows = "".join(f"{a!r},{b!r}\n" for a, b in zip(x.tolist(), y.tolist()))
        file.write_text("r2star_per_s,lic_mg_per_g\n" + rows)
        plot = pathlib.Path(folder) / "plot.png"
        status, out, err = run("calibrate", str(file), "--field", "1.5", "--json", "--plot", str(plot))
        check(status == 0, f"calibrate: {err}")
        found = json.loads(out)
        ratio = (9.0 * y.mean() / (4.6 * x.mean())) ** 2
        check(math.isclose(found["error_variance_ratio"], ratio, rel_tol=1e-9), "ratio")
        scaled = np.column_stack([(x - x.mean()) * math.sqrt(ratio), y - y.mean()])
        along = np.linalg.svd(scaled)[2][0]
        slope = along[1] / along[0] * math.sqrt(ratio)
        check(math.isclose(found["deming"]["slope"], slope, rel_tol=1e-8), "Deming slope")
        line = slope * x + y.mean() - slope * x.mean()
        sd = math.sqrt(((y - line) ** 2).sum() / (len(x) - 2))
        check(math.isclose(found["residual_sd_mg_per_g"], sd, rel_tol=1e-8), "residual SD")
        theil = st.theilslopes(y, x)[0]
        check(abs(found["passing_bablok"]["slope"] / theil - 1) < 0.05, "Passing-Bablok near Theil-Sen")
        check(plot.read_bytes()[:4] == b"\x89PNG" and (plot.parent / "plot-differences.png").exists(), "plots")
        file.write_text("r2star_per_s,lic_mg_per_g\n100,2\n200,many\n")
        status, _, err = run("calibrate", str(file), "--field", "1.5")
        check(status == 2 and f"{file}:3:2:" in err, f"a bad line is named: {err}")


calibrations()
calibrate()
print(f"{passed} passed, {failed} failed")
sys.exit(1 if failed else 0)
