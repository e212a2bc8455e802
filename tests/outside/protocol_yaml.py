"""Another YAML parser and a JSON Schema validator on the shipped profiles.

PyYAML reads every profile, resolves `extends` by the documented rules, and must arrive at what
`siderolog profile check --resolved` prints. SafeLoader (YAML 1.1) must not turn any word into something else.
Alias bombs and deep nesting must be refused at once. Run from the repository's root after a release build.
"""

import datetime
import json
import os
import pathlib
import subprocess
import sys
import tempfile
import time

import jsonschema
import yaml

ROOT = pathlib.Path(__file__).resolve().parents[2]
SIDEROLOG = os.environ.get("SIDEROLOG", str(ROOT / "target/release/siderolog"))
PROFILES = ROOT / "config" / "profiles"
passed, failed = 0, 0


def check(what, good, detail=""):
    global passed, failed
    if good:
        passed += 1
    else:
        failed += 1
        print(f"FAILED {what}: {detail}")


def texts(path):
    """Every scalar as it was typed."""
    return yaml.load(path.read_text(), Loader=yaml.BaseLoader)


def rule_name(rule):
    return rule.get("name", rule["quantity"])


def resolved(name):
    folder = PROFILES if (PROFILES / f"{name}.yaml").exists() else PROFILES / "bases"
    own = texts(folder / f"{name}.yaml")
    base_name = own.pop("extends", None)
    if base_name is None:
        return own
    base = resolved(base_name)
    out = {k: v for k, v in base.items() if k != "approved"} | own
    if "applies to" in base or "applies to" in own:
        out["applies to"] = base.get("applies to", {}) | own.get("applies to", {})
    mine = {rule_name(r): r for r in own["rules"]}
    kept = [mine.pop(rule_name(r), r) for r in base["rules"] if rule_name(r) not in own.get("without", [])]
    out["rules"] = kept + list(mine.values())
    out.pop("without", None)
    return out


def run(*args):
    return subprocess.run([SIDEROLOG, "profile", *map(str, args)], capture_output=True, text=True, timeout=60)


for path in sorted(PROFILES.glob("*.yaml")):
    printed = run("check", "--resolved", path)
    check(f"{path.name} is valid", printed.returncode == 0, printed.stderr)
    theirs = yaml.load(printed.stdout, Loader=yaml.BaseLoader)
    ours = resolved(path.stem)
    check(f"{path.name}: the parsers agree", theirs == ours, f"\n{json.dumps(theirs, indent=1)}\n{json.dumps(ours, indent=1)}")

schema = json.loads((ROOT / "config/schema/profile.json").read_text())
jsonschema.Draft202012Validator.check_schema(schema)
validator = jsonschema.Draft202012Validator(schema)


def plain(value):
    """Dates as they were typed."""
    if isinstance(value, dict):
        return {k: plain(v) for k, v in value.items()}
    if isinstance(value, list):
        return [plain(v) for v in value]
    return value.isoformat() if isinstance(value, datetime.date) else value


def words(value):
    if isinstance(value, dict):
        return [w for k, v in value.items() for w in [k, *words(v)]]
    if isinstance(value, list):
        return [w for v in value for w in words(v)]
    return [value]


for path in sorted(PROFILES.rglob("*.yaml")):
    typed = yaml.safe_load(path.read_text())
    check(f"{path.name}: no word became true or false", not any(isinstance(w, bool) for w in words(typed)))
    errors = [e.message for e in validator.iter_errors(plain(typed))]
    check(f"{path.name} satisfies the schema", not errors, errors[:2])

broken = plain(yaml.safe_load((PROFILES / "norrfell-lumen-15.yaml").read_text()))
broken["calibraton"] = broken.pop("calibration", "x")
check("the schema refuses an unknown key", list(validator.iter_errors(broken)) != [])

GOOD = "name: a\nrevision: 1\napplies to: {field strength: 1.5 T}\ncalibration: hernando-2023-1.5t\nrules: []\n"
bomb = "a0: &a0 [x, x, x, x, x, x, x, x, x]\n" + "".join(
    f"a{k}: &a{k} [{', '.join([f'*a{k - 1}'] * 9)}]\n" for k in range(1, 12)
)
with tempfile.TemporaryDirectory() as folder:
    for what, text in [
        ("alias bomb", bomb + GOOD),
        ("alias bomb in the rules", GOOD.replace("rules: []", "rules:\n") + "  - &r {quantity: first echo}\n" + "  - *r\n" * 3000),
        ("deep flow nesting", GOOD + "about: " + "[" * 200_000),
        ("deep block nesting", GOOD + "about:\n" + "".join(" " * k + "a:\n" for k in range(1, 2000))),
        ("long line", GOOD + "about: " + "x" * 5_000_000),
    ]:
        file = pathlib.Path(folder) / "p.yaml"
        file.write_text(text)
        start = time.monotonic()
        outcome = run("check", file)
        elapsed = time.monotonic() - start
        located = outcome.stderr.startswith(f"{file}:")
        check(f"{what} is refused at once", outcome.returncode == 2 and located and elapsed < 2, f"{outcome.returncode} {elapsed:.1f} s {outcome.stderr[:200]}")
        check(f"{what}: a short message", len(outcome.stderr) < 2000, len(outcome.stderr))

print(f"{passed} passed, {failed} failed")
sys.exit(1 if failed else 0)
