#!/usr/bin/env python3
"""Reads every composed object back with programs and libraries that are not ours.

Usage: report_objects.py DIR...   Each DIR is searched for result.json; the files beside it are checked:
DICOM with dciodvfy, dsrdump, pydicom and highdicom; the PDF with poppler; FHIR with fhir.resources; HL7 with hl7apy;
NIfTI with nibabel; the table with the csv module. Ends with `N passed, N failed`; exit status 1 if any failed.
"""

import csv
import io
import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pydicom

PASSED, FAILED = 0, []
# dciodvfy of 2022 knows neither private schemes nor this newer term; dsrdump has no checker for UTF-8.
DSRDUMP_NOISE = "VR checker does not support this Specific Character Set"


def check(where, what, good, detail=""):
    global PASSED
    if good:
        PASSED += 1
    else:
        FAILED.append(f"{where}: {what} {detail}")


def run(*command):
    return subprocess.run(command, capture_output=True, text=True, errors="replace")


def numbers(item, found):
    """Every NUM of an SR tree as (code, statistic, value, unit)."""
    if item.get("ValueType") == "NUM":
        name = item.ConceptNameCodeSequence[0].CodeValue
        statistic = ""
        for child in item.get("ContentSequence", []):
            if child.ConceptNameCodeSequence[0].CodeValue == "121401":
                statistic = child.ConceptCodeSequence[0].CodeMeaning
        measured = item.MeasuredValueSequence[0]
        value = measured.get("FloatingPointValue", None)
        value = float(value if value is not None else measured.NumericValue)
        found.append((name, statistic, value, measured.MeasurementUnitsCodeSequence[0].CodeValue,
                      item.get("RelationshipType")))
    for child in item.get("ContentSequence", []):
        numbers(child, found)
    return found


def codes(item, name, found):
    if item.get("ValueType") == "CODE" and item.ConceptNameCodeSequence[0].CodeValue == name:
        found.append(item.ConceptCodeSequence[0])
    for child in item.get("ContentSequence", []):
        codes(child, name, found)
    return found


def dicom(folder, result):
    uids = set()
    study = result["input"]["study_uid"]
    for path in sorted(folder.glob("*.dcm")):
        where = f"{folder.name}/{path.name}"
        verdict = run("dciodvfy", "-new", str(path))
        errors = [line for line in (verdict.stdout + verdict.stderr).splitlines() if line.startswith("Error")]
        check(where, "dciodvfy", not errors, "; ".join(errors[:3]))
        ds = pydicom.dcmread(path)
        check(where, "study", ds.StudyInstanceUID == study)
        check(where, "own UID", ds.SOPInstanceUID not in uids)
        uids.add(ds.SOPInstanceUID)
        check(where, "UTF-8", ds.SpecificCharacterSet == "ISO_IR 192")
        name = result["input"]["patient"]["name"]
        check(where, "patient name", str(ds.PatientName) == (name or ""), str(ds.PatientName))
        check(where, "no private element", not any(e.tag.is_private for e in ds))


def segmentations(folder, result):
    import highdicom as hd

    path = folder / "roi.dcm"
    if not path.exists():
        check(folder.name, "no region, no object", result["roi"] is None)
        return None
    seg = hd.seg.segread(path)
    check(folder.name, "one segment, number 1", list(seg.segment_numbers) == [1])
    voxels = int(np.count_nonzero(seg.pixel_array))
    check(folder.name, "region voxels", voxels == result["roi"]["voxels"], f"{voxels} {result['roi']['voxels']}")
    volume = seg.get_volume(combine_segments=True)
    check(folder.name, "region as a volume", int(np.count_nonzero(volume.array)) == result["roi"]["voxels"])
    excluded = folder / "excluded.dcm"
    if excluded.exists():
        seg2 = hd.seg.segread(excluded)
        counts = {}
        frames = np.atleast_3d(seg2.pixel_array) if seg2.pixel_array.ndim == 3 else seg2.pixel_array[None]
        for frame, group in zip(frames, seg2.PerFrameFunctionalGroupsSequence):
            number = group.SegmentIdentificationSequence[0].ReferencedSegmentNumber
            label = seg2.SegmentSequence[number - 1].SegmentLabel.removeprefix("Left out: ").replace(" ", "-")
            counts[label] = counts.get(label, 0) + int(np.count_nonzero(frame))
        check(folder.name, "left-out voxels", counts == result["roi"]["excluded"], f"{counts}")
    return volume


def maps(folder, result, region):
    import highdicom as hd

    for name in ("r2star.dcm", "lic.dcm"):
        path = folder / name
        if not path.exists():
            continue
        pm = hd.pm.ParametricMap.from_dataset(pydicom.dcmread(path))
        volume = pm.get_volume(apply_real_world_transform=True)
        check(f"{folder.name}/{name}", "modality", pm.Modality == "MR")
        values = volume.array
        check(f"{folder.name}/{name}", "finite, padding -1", bool(np.all(np.isfinite(values)) and values.min() >= -1))
        if name == "r2star.dcm" and region is not None and result["r2star_per_s"]:
            aligned = region.match_geometry(volume)
            inside = values[np.asarray(aligned.array).astype(bool)]
            inside = inside[inside >= 0]
            median = float(np.median(inside))
            said = result["r2star_per_s"]["median"]
            # Voxels beyond the echoes count in the median of the document but have no value in the map.
            slack = 0.02 * said if result["measuring_range"] and result["measuring_range"]["position"] == "inside" else said
            check(f"{folder.name}/{name}", "median in the region", abs(median - said) <= slack, f"{median} {said}")


def report(folder, result):
    import highdicom as hd

    path = folder / "report.dcm"
    if not path.exists():
        return
    where = f"{folder.name}/report.dcm"
    dump = run("dsrdump", str(path))
    complaints = [line for line in dump.stderr.splitlines() if line.strip() and DSRDUMP_NOISE not in line]
    check(where, "dsrdump", dump.returncode == 0 and not complaints, "; ".join(complaints[:3]))
    if (folder / "roi.dcm").exists():
        # Its reader knows measurement groups only with a region.
        hd.sr.srread(path)
        check(where, "highdicom reads it", True)
    ds = pydicom.dcmread(path)
    found = numbers(ds, [])
    top = [n for n in found if n[4] == "CONTAINS"]
    stats = result["r2star_per_s"]
    for statistic, key in (("Mean", "mean"), ("Median", "median"), ("Standard Deviation", "sd")):
        if stats and stats[key] is not None:
            exact = [n for n in top if n[0] == "126395" and n[1] == statistic]
            check(where, f"R2* {statistic}", len(exact) == 1 and exact[0][2] == stats[key] and exact[0][3] == "/s", exact)
    lic = result["lic_mg_per_g"]
    said = {relation: [n for n in top if n[0] == code] for relation, code in
            (("equal", "LIC"), ("at-least", "LICATLEAST"), ("at-most", "LICATMOST"))}
    for relation, items in said.items():
        wanted = lic is not None and lic["relation"] == relation
        check(where, f"LIC {relation}", len(items) == int(wanted) and all(
            n[2] == lic["value"] and n[3] == "mg/g{dry_tissue}" for n in items), items)
    status = codes(ds, "LICSTATUS", [])
    check(where, "a reason where there is no plain LIC", bool(status) == (lic is None or lic["relation"] != "equal"))
    grade = codes(ds, "111050", [])
    meaning = {"clear": "RID12", "review": "RID13", "refused": "RID14"}[result["verdict"]]
    check(where, "quality", len(grade) == 1 and grade[0].CodeValue == meaning)
    flags = codes(ds, "QCFLAG", [])
    heavy = [f for f in result["findings"] if f["severity"] != "note"]
    check(where, "flags", len(flags) == max(1, len(heavy)))
    check(where, "flags at level", ds.VerificationFlag == "UNVERIFIED")
    tracking = [i for i in ds.ContentSequence[-1].ContentSequence[0].ContentSequence
                if i.ConceptNameCodeSequence[0].CodeValue == "112040"]
    check(where, "tracking UID", len(tracking) == 1)
    if (folder / "roi.dcm").exists():
        seg = pydicom.dcmread(folder / "roi.dcm")
        check(where, "the region's tracking UID", seg.SegmentSequence[0].TrackingUID == tracking[0].UID)


def picture(folder, result):
    from PIL import Image

    path = folder / "qc.dcm"
    if not path.exists() or not (folder / "qc.png").exists():
        return
    pixels = pydicom.dcmread(path).pixel_array
    png = np.asarray(Image.open(folder / "qc.png").convert("RGB"))
    check(folder.name, "the capture is the picture", np.array_equal(pixels, png))


def shown(value, decimals):
    return f"{value:.{decimals}f}"


def page(folder, result):
    path = folder / "report.pdf"
    if not path.exists():
        return
    where = f"{folder.name}/report.pdf"
    # Groups of three digits are set apart by a narrow space, which the extraction turns into a wide one.
    text = re.sub(r"(?<=\d)[\u202f\u2009 ](?=\d{3}\b)", "", run("pdftotext", "-layout", str(path), "-").stdout)
    html = (folder / "report.html").read_text() if (folder / "report.html").exists() else ""
    plain = html.replace("\u202f", "")
    lic = result["lic_mg_per_g"]
    wanted = []
    if lic:
        keys = ["value"] + (["low", "high", "repeat_low", "repeat_high"] if lic["relation"] == "equal" else [])
        wanted += [shown(lic[k], 2 if abs(lic[k]) < 1 else 1) for k in keys if lic[k] is not None]
        wanted.append(lic["calibration"])
    stats = result["r2star_per_s"]
    if stats:
        wanted += [shown(stats[k], 1 if abs(stats[k]) < 100 else 0) for k in ("median", "low", "high") if stats[k]]
    if result["roi"]:
        wanted.append(str(result["roi"]["voxels"]))
    german = 'lang="de"' in html
    for number in wanted:
        number = number.replace(".", ",") if german and re.fullmatch(r"[\d.]+", number) else number
        check(where, f"carries {number}", number in text.replace("\n", " "))
        check(f"{folder.name}/report.html", f"carries {number}", not html or number in plain)
    fonts = run("pdffonts", str(path)).stdout.splitlines()[2:]
    check(where, "fonts embedded", bool(fonts) and all(re.search(r"\byes\s+(yes|no)\s+(yes|no)\s+\d", f) for f in fonts), fonts)
    info = run("pdfinfo", str(path)).stdout
    check(where, "tagged", bool(re.search(r"Tagged:\s+yes", info)))
    if html:
        outside = re.findall(r'(?:src|href)="(?!data:)([^"]*)"', html)
        check(f"{folder.name}/report.html", "needs nothing outside", not outside, outside)
    if (folder / "page.dcm").exists():
        ds = pydicom.dcmread(folder / "page.dcm")
        pdf = path.read_bytes()
        check(f"{folder.name}/page.dcm", "holds the page", ds.EncapsulatedDocument[: len(pdf)] == pdf
              and ds.EncapsulatedDocumentLength == len(pdf))


def fhir(folder, result):
    path = folder / "fhir.json"
    if not path.exists():
        return
    from fhir.resources.R4B.bundle import Bundle

    where = f"{folder.name}/fhir.json"
    bundle = json.loads(path.read_text())
    Bundle.model_validate(bundle)
    check(where, "fhir.resources takes it", True)
    observations = [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Observation"]
    of = {o["code"]["coding"][0]["code"]: o for o in observations}
    lic = result["lic_mg_per_g"]
    said = of["LIC"]
    if lic is None:
        check(where, "no value when refused", "valueQuantity" not in said and "dataAbsentReason" in said)
    else:
        sign = {"equal": None, "at-least": ">", "at-most": "<"}[lic["relation"]]
        quantity = said["valueQuantity"]
        check(where, "LIC", quantity["value"] == lic["value"] and quantity.get("comparator") == sign
              and quantity["code"] == "mg/g{dry_tissue}", quantity)
    if result["r2star_per_s"]:
        check(where, "R2*", of["126395"]["valueQuantity"]["value"] == result["r2star_per_s"]["median"])
    links = {e["fullUrl"] for e in bundle["entry"]}
    refs = re.findall(r'"reference": "(urn:uuid:[^"]+)"', path.read_text())
    check(where, "references resolve", bool(refs) and all(r in links for r in refs))


def hl7(folder, result):
    path = folder / "oru.hl7"
    if not path.exists():
        return
    from hl7apy.consts import VALIDATION_LEVEL
    from hl7apy.parser import parse_message

    where = f"{folder.name}/oru.hl7"
    text = path.read_bytes().decode()
    message = parse_message(text, validation_level=VALIDATION_LEVEL.STRICT, find_groups=True)
    message.validate()
    check(where, "hl7apy takes it, strictly", True)
    rows = [s.split("|") for s in text.split("\r") if s.startswith("OBX")]
    lics = [r for r in rows if r[3].startswith("LIC^") and r[4] == "Median"]
    lic = result["lic_mg_per_g"]
    check(where, "one LIC", len(lics) == 1)
    row = lics[0]
    if lic is None:
        check(where, "no value, status X", row[5] == "" and row[11] == "X")
    elif lic["relation"] == "equal":
        check(where, "LIC", row[2] == "NM" and abs(float(row[5]) - lic["value"]) <= 1e-9 * abs(lic["value"]), row[5])
    else:
        sign, value = row[5].split("^")
        check(where, "bound", row[2] == "SN" and sign == {"at-least": ">", "at-most": "<"}[lic["relation"]]
              and abs(float(value) - lic["value"]) < 1e-6, row[5])


def nifti(folder, result, region):
    path = folder / "r2star.nii.gz"
    if not path.exists():
        return
    import nibabel as nib

    image, roi = nib.load(path), nib.load(folder / "roi.nii.gz")
    echoes = nib.load(folder / "echoes.nii.gz")
    facts = result["acquisition"]
    shape = (facts["columns"], facts["rows"], facts["slices"])
    check(folder.name, "NIfTI shapes", image.shape == shape and roi.shape == shape
          and echoes.shape == (*shape, len(facts["echo_times_ms"])))
    check(folder.name, "NIfTI region", int(np.asarray(roi.dataobj).sum()) == result["roi"]["voxels"])
    if region is not None:
        # The same patient millimetres: a region voxel of the SEG lies on a region voxel of the NIfTI file.
        index = np.argwhere(np.asarray(region.array) > 0)[[0, -1]]
        lps = region.map_indices_to_reference(index.astype(float))
        ras = lps * [-1, -1, 1]
        ijk = np.rint(nib.affines.apply_affine(np.linalg.inv(roi.affine), ras)).astype(int)
        check(folder.name, "NIfTI coordinates", all(np.asarray(roi.dataobj)[tuple(v)] == 1 for v in ijk), ijk)


def table(folder, result):
    path = folder / "row.csv"
    if not path.exists():
        return
    rows = list(csv.DictReader(io.StringIO(path.read_bytes().decode())))
    check(folder.name, "one row", len(rows) == 1 and None not in rows[0])
    check(folder.name, "row verdict", rows[0]["verdict"] == result["verdict"])
    lic = result["lic_mg_per_g"]
    check(folder.name, "row LIC", rows[0]["lic_mg_per_g"] == "" if lic is None
          else float(rows[0]["lic_mg_per_g"]) == lic["value"])


def main():
    documents = sorted(p for d in sys.argv[1:] for p in Path(d).rglob("result.json"))
    if not documents:
        sys.exit("no result.json found below " + " ".join(sys.argv[1:]))
    for document in documents:
        folder, result = document.parent, json.loads(document.read_text())
        for name in result["files"].values():
            check(folder.name, f"{name} exists", (folder / name).is_file())
        region = None
        steps = [lambda: dicom(folder, result), lambda: report(folder, result), lambda: picture(folder, result),
                 lambda: page(folder, result), lambda: fhir(folder, result), lambda: hl7(folder, result),
                 lambda: table(folder, result)]
        try:
            region = segmentations(folder, result)
        except Exception as error:  # a reader that fails is a finding, not the end of the run
            check(folder.name, "segmentations", False, repr(error))
        steps += [lambda: maps(folder, result, region), lambda: nifti(folder, result, region)]
        for step in steps:
            try:
                step()
            except Exception as error:
                # A study with a slice missing is rightly not a regular volume to highdicom.
                gap = "regularly-spaced" in repr(error) and "slice" in (folder / "result.json").read_text()
                check(folder.name, "read back", gap, repr(error))
    for line in FAILED:
        print("FAILED", line)
    print(f"{PASSED} passed, {len(FAILED)} failed")
    sys.exit(1 if FAILED else 0)


main()
