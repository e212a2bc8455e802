#!/usr/bin/env python3
"""Compares the trees of our segmentation, parametric map and report with objects that other software wrote.

Usage: report_trees.py SIDEROLOG   Every attribute, by its path through sequences, that all reference objects of a class
have must be in ours with the same value representation, and what is coded the same way must be coded so in ours.
References lie in ../shared/data; SKIPPED where that is absent. Ends with `N passed, N failed`.
"""

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pydicom

SIDEROLOG = sys.argv[1] if len(sys.argv) > 1 else os.environ["SIDEROLOG"]
DATA = Path(os.environ.get("SHARED", Path(__file__).resolve().parents[3] / "shared")) / "data"
PASSED, FAILED = 0, []

SEG, PM = "1.2.840.10008.5.1.4.1.1.66.4", "1.2.840.10008.5.1.4.1.1.30"
SR = ["1.2.840.10008.5.1.4.1.1.88.34", "1.2.840.10008.5.1.4.1.1.88.33", "1.2.840.10008.5.1.4.1.1.88.22"]

# Present in every reference and not always in ours, each for a reason.
EXCEPTIONS = {
    "IssuerOfPatientID": "copied where the source images have it; these have none",
    "DimensionOrganizationType": "optional; the dimensions themselves are written",
    "SourceImageSequence": "optional; each frame names its source images",
}


def check(what, good, detail=""):
    global PASSED
    if good:
        PASSED += 1
    else:
        FAILED.append(f"{what} {detail}")


def paths(dataset, above=""):
    """Every attribute as `keyword/keyword…` with its VR; items of a sequence are one."""
    found = {}
    for element in dataset:
        if element.tag.is_private:
            continue
        name = f"{above}{element.keyword or element.tag}"
        found[name] = element.VR
        if element.VR == "SQ":
            for item in element.value:
                found.update(paths(item, name + "/"))
    return found


def references(classes):
    found = []
    for path in sorted(DATA.glob("dicom_outputs/**/*")) + sorted(DATA.glob("dicom_reference/**/*")):
        if not path.is_file():
            continue
        try:
            dataset = pydicom.dcmread(path, stop_before_pixels=True)
        except Exception:
            continue
        if dataset.get("SOPClassUID") in classes:
            found.append((path.relative_to(DATA), dataset))
    return found


def wanted(name, classes, suits=lambda dataset: True):
    found = [(path, d) for path, d in references(classes) if suits(d)]
    trees = [paths(d) for _, d in found]
    check(f"{name}: reference objects", len(trees) >= 2, f"{len(trees)} found")
    common = set.intersection(*(set(tree) for tree in trees)) if trees else set()
    print(f"{name}: {len(trees)} references, {len(common)} attributes in all of them")
    return trees, common


def compare(name, ours, trees, common):
    mine = paths(ours)
    for path in sorted(common):
        if path.split("/")[0] in EXCEPTIONS:
            continue
        check(f"{name}: {path}", path in mine, "is in every reference and not in ours")
        vrs = {tree[path] for tree in trees}
        if path in mine and len(vrs) == 1:
            check(f"{name}: {path}", mine[path] in vrs, f"has VR {mine[path]}, the references {vrs}")
    everywhere = set().union(*(set(tree) for tree in trees))
    extra = sorted(path for path in mine if path not in everywhere)
    print(f"{name}: {len(mine)} attributes in ours, {len(extra)} of them in no reference: {', '.join(extra[:12])}")


def measurement_groups(dataset):
    """The concept names of a report's first measurement group, with relationship and value type."""
    for item in dataset.get("ContentSequence", []):
        name = item.get("ConceptNameCodeSequence", [None])[0]
        if name is not None and name.CodeValue == "125007":
            return {(c.RelationshipType, c.ValueType, c.ConceptNameCodeSequence[0].CodeValue)
                    for c in item.ContentSequence if "ConceptNameCodeSequence" in c}
        found = measurement_groups(item)
        if found:
            return found
    return set()


def main():
    if not DATA.is_dir():
        print(f"SKIPPED: {DATA} is not there")
        print("0 passed, 0 failed")
        return 0
    with tempfile.TemporaryDirectory() as root:
        done = subprocess.run([SIDEROLOG, "demo", "--dir", root], capture_output=True, text=True, timeout=600)
        assert done.returncode == 0, done.stderr
        results = sorted(Path(root).glob("outbox/*/*/report.dcm"))
        assert results, "the demonstration made no report"
        volume = lambda d: d.get("SegmentationType") == "BINARY" and "PlanePositionSequence" in str(paths(d).keys())  # noqa: E731
        seg = wanted("segmentation", [SEG], volume)
        pm = wanted("parametric map", [PM])
        sr = wanted("report", SR, lambda d: bool(measurement_groups(d)))
        groups = [measurement_groups(d) for _, d in references(SR)]
        shared = set.intersection(*(group for group in groups if group))
        for path in results:
            folder = path.parent
            for name, file, (trees, common) in [("segmentation", "roi.dcm", seg), ("segmentation", "excluded.dcm", seg),
                                                ("parametric map", "r2star.dcm", pm), ("report", "report.dcm", sr)]:
                if (folder / file).exists():
                    compare(f"{folder.name[:8]} {name}", pydicom.dcmread(folder / file, stop_before_pixels=True), trees, common)
            mine = measurement_groups(pydicom.dcmread(path))
            for item in sorted(shared):
                check(f"{folder.name[:8]} measurement group", item in mine, f"{item} is in every reference and not in ours")
    for failure in FAILED[:40]:
        print(f"FAILED: {failure}")
    print(f"{PASSED} passed, {len(FAILED)} failed")
    return 1 if FAILED else 0


if __name__ == "__main__":
    sys.exit(main())
