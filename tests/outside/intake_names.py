#!/usr/bin/env python3
"""Names of people in the standard's character sets, from header to result.json.

The bytes of each name come from pydicom's example files (they come in its wheel: the examples of PS3.5 annexes H to K
and others), put unchanged into a small series; what result.json says is held against pydicom's decoding of the same
bytes. Run with the path of the program: intake_names.py target/release/siderolog
"""
import json
import pathlib
import subprocess
import sys
import tempfile

import numpy as np
import pydicom
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian, generate_uid

PROGRAM = sys.argv[1]
MR = "1.2.840.10008.5.1.4.1.1.4"
# Character sets that none of the example files has: ISO 2022 IR 58 as in PS3.5 annex K.3, where each component brings
# its escape sequence (pydicom's encoder leaves it out), and two that need none, written by pydicom.
CHINESE = b"Zhang^XiaoDong=\x1b$)A\xd5\xc5^\x1b$)A\xd0\xa1\xb6\xab="
WRITTEN = {"GBK": "Wang^XiaoDong=王^小东", "ISO_IR 13": "ﾔﾏﾀﾞ^ﾀﾛｳ"}


def raw_names():
    """Label, character set as written, bytes of the name, and the name as pydicom decodes it."""
    folder = pathlib.Path(pydicom.__file__).parent / "data" / "charset_files"
    for path in sorted(folder.glob("*.dcm")):
        ds = pydicom.dcmread(path)
        if "PatientName" not in ds:
            continue
        raw = bytes(ds.get_item("PatientName").value)
        yield path.name, ds.get("SpecificCharacterSet"), raw, str(ds.PatientName)
    yield "PS3.5 K.3", ["", "ISO 2022 IR 58"], CHINESE, "Zhang^XiaoDong=张^小东"
    for charset, name in WRITTEN.items():
        encodings = pydicom.charset.convert_encodings([charset])
        yield f"written, {charset}", [charset], pydicom.valuerep.PersonName(name).encode(encodings), name


def image(study, patient, echo, charset, length):
    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    if charset is not None:
        ds.SpecificCharacterSet = charset
    ds.SOPClassUID, ds.SOPInstanceUID = MR, generate_uid()
    ds.StudyInstanceUID, ds.SeriesInstanceUID, ds.FrameOfReferenceUID = study
    # A spin echo is refused before anything is fitted, which is quick; its document is whole all the same.
    ds.ImageType, ds.Modality, ds.ScanningSequence = ["ORIGINAL", "PRIMARY", "M"], "MR", "SE"
    ds.PatientName, ds.PatientID = "Q" * length, patient
    ds.EchoTime, ds.RepetitionTime, ds.MagneticFieldStrength = 1.0 + echo, 100, 1.5
    ds.ImagePositionPatient, ds.ImageOrientationPatient = [0, 0, 0], [1, 0, 0, 0, 1, 0]
    ds.PixelSpacing, ds.SliceThickness, ds.SeriesNumber, ds.InstanceNumber = [4, 4], 8, 1, echo + 1
    ds.SamplesPerPixel, ds.PhotometricInterpretation, ds.Rows, ds.Columns = 1, "MONOCHROME2", 24, 24
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 16, 12, 11, 0
    values = (1000 + np.arange(24 * 24)) * np.exp(-0.1 * echo)
    ds.PixelData = values.astype(np.uint16).tobytes()
    return ds


passed, failed = 0, 0
with tempfile.TemporaryDirectory() as root:
    root = pathlib.Path(root)
    wanted = {}
    for number, (label, charset, raw, name) in enumerate(raw_names()):
        patient, study = f"N{number}", [generate_uid() for _ in range(3)]
        raw += b" " * (len(raw) % 2)
        wanted[patient] = (label, name)
        for echo in range(3):
            path = root / "in" / f"{number}-{echo}"
            path.parent.mkdir(exist_ok=True)
            image(study, patient, echo, charset, len(raw)).save_as(path, enforce_file_format=True)
            whole = path.read_bytes()
            placeholder = b"Q" * len(raw)
            assert whole.count(placeholder) == 1, label
            path.write_bytes(whole.replace(placeholder, raw))
    # Only the document is looked at.
    site = root / "site.yaml"
    site.write_text("outputs: {quality-picture: false, page: false, pdf: false, encapsulated-pdf: false, capture: false}\n")
    command = [PROGRAM, "analyse", root / "in", "--site", site, "--out", root / "out", "--json"]
    run = subprocess.run(command, capture_output=True, text=True)
    assert run.returncode in (0, 3, 4), run.stderr
    found = {}
    for path in json.loads(run.stdout.splitlines()[-1])["results"]:
        patient = json.loads(pathlib.Path(path).read_text())["input"]["patient"]
        found[patient["id"]] = patient["name"]
    for patient, (label, name) in wanted.items():
        got = found.get(patient)
        # An empty group at the end is written by some and left out by others.
        right = (got or "").rstrip("=") == name.strip().rstrip("=")
        passed, failed = passed + right, failed + (not right)
        print(f"{'ok    ' if right else 'WRONG '} {label:<32} {got!r}" + ("" if right else f", not {name!r}"))
print(f"{passed} passed, {failed} failed")
sys.exit(failed > 0 or passed < 15)
