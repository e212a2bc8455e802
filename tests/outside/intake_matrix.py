#!/usr/bin/env python3
"""Every format in every transfer syntax, written by pydicom, highdicom, dcmtk and imagecodecs, read by us.

One synthetic study of 3 oblique slices, 5 echoes and non-square pixels is written in every combination, and every
reading is held against the arrays it was written from: pixels to the bit, echo times and geometry to rounding.
Run from the project's root with a Python that has pydicom, highdicom, pylibjpeg-openjpeg, pyjpegls, imagecodecs and
numpy, and with dcmtk's dcmcjpeg on the path. JPEG-LS rows need the cargo feature: set SIDEROLOG_FEATURES=jpeg-ls.
"""
import copy
import json
import logging
import os
import pathlib
import shutil
import subprocess
import sys
import tempfile
import warnings

import highdicom
import imagecodecs
import numpy as np
import pydicom
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.uid import UID, generate_uid

warnings.filterwarnings("ignore")
logging.disable(logging.WARNING)

ROWS, COLUMNS, SLICES = 48, 40, 3
ECHOES = [0.9, 1.9, 2.95, 4.0, 5.1]
SPACING = [2.5, 1.75]
TURN = np.deg2rad(17)
ROW = np.array([np.cos(TURN), np.sin(TURN), 0.0])
COLUMN = np.array([-np.sin(TURN) * np.cos(0.2), np.cos(TURN) * np.cos(0.2), np.sin(0.2)])
NORMAL = np.cross(ROW, COLUMN)
POSITIONS = [np.array([-40.0, -30.0, 12.0]) + 9.5 * k * NORMAL for k in range(SLICES)]
SLOPES = [1.0 + 0.25 * e for e in range(len(ECHOES))]

MR, ENHANCED, LEGACY = (
    "1.2.840.10008.5.1.4.1.1.4",
    "1.2.840.10008.5.1.4.1.1.4.1",
    "1.2.840.10008.5.1.4.1.1.4.4",
)
IMPLICIT, EXPLICIT, BIG, DEFLATED = (
    "1.2.840.10008.1.2",
    "1.2.840.10008.1.2.1",
    "1.2.840.10008.1.2.2",
    "1.2.840.10008.1.2.1.99",
)
RLE, JPEG57, JPEG70, LS, J2K, HT, HTR = (
    "1.2.840.10008.1.2.5",
    "1.2.840.10008.1.2.4.57",
    "1.2.840.10008.1.2.4.70",
    "1.2.840.10008.1.2.4.80",
    "1.2.840.10008.1.2.4.90",
    "1.2.840.10008.1.2.4.201",
    "1.2.840.10008.1.2.4.202",
)
SYNTAXES = {
    "implicit LE": IMPLICIT,
    "explicit LE": EXPLICIT,
    "explicit BE": BIG,
    "deflated": DEFLATED,
    "RLE": RLE,
    "JPEG lossless 57": JPEG57,
    "JPEG lossless 70": JPEG70,
    "JPEG-LS": LS,
    "JPEG 2000": J2K,
    "HTJ2K": HT,
    "HTJ2K RPCL": HTR,
}
# Bits allocated, bits stored, signed; float pixel data by name.
DEPTHS = {
    "u8": (8, 8, False),
    "u12": (16, 12, False),
    "u16": (16, 16, False),
    "s16": (16, 16, True),
    "u32": (32, 32, False),
    "float": (32, 32, False),
    "double": (64, 64, False),
}
PLAIN = (IMPLICIT, EXPLICIT, BIG, DEFLATED)


def values(depth):
    """Stored values, slice x echo x row x column: a decay with structure and noise."""
    allocated, stored, signed = DEPTHS[depth]
    rng = np.random.default_rng(20260325)
    top = 0.7 * (2.0 ** (min(stored, 24) - int(signed)) - 1)
    base = 0.3 + 0.7 * rng.random((SLICES, 1, ROWS, COLUMNS))
    decay = np.exp(-0.25 * np.array(ECHOES))[None, :, None, None]
    data = top * base * decay + rng.random((SLICES, len(ECHOES), ROWS, COLUMNS))
    if depth in ("float", "double"):
        return (data / 1000.0).astype(np.float32 if depth == "float" else np.float64)
    kind = {8: np.uint8, 16: np.int16 if signed else np.uint16, 32: np.uint32}[allocated]
    return data.astype(kind)


def base(depth, klass):
    allocated, stored, signed = DEPTHS[depth]
    ds = Dataset()
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.SOPClassUID, ds.SOPInstanceUID = klass, generate_uid()
    ds.StudyDate, ds.StudyTime, ds.ContentDate, ds.ContentTime = "20260314", "101500", "20260314", "101500"
    ds.AcquisitionDate, ds.AcquisitionTime, ds.SeriesDate, ds.SeriesTime = "20260314", "101530", "20260314", "101530"
    ds.AccessionNumber, ds.Modality, ds.Manufacturer, ds.ReferringPhysicianName = "A1", "MR", "Invented Scanners", ""
    ds.ManufacturerModelName, ds.DeviceSerialNumber, ds.SoftwareVersions = "Model 1", "77", "1.0"
    ds.PatientName, ds.PatientID, ds.PatientBirthDate, ds.PatientSex = "Matrix^Müller", "M1", "20000101", "O"
    ds.MagneticFieldStrength = 1.5
    ds.StudyInstanceUID, ds.SeriesInstanceUID, ds.FrameOfReferenceUID = STUDY, SERIES, PLACE
    ds.StudyID, ds.SeriesNumber, ds.PositionReferenceIndicator = "1", 5, ""
    ds.PatientPosition, ds.BodyPartExamined = "HFS", "ABDOMEN"
    ds.Rows, ds.Columns, ds.SamplesPerPixel, ds.PhotometricInterpretation = ROWS, COLUMNS, 1, "MONOCHROME2"
    ds.BitsAllocated = allocated
    if depth not in ("float", "double"):
        ds.BitsStored, ds.HighBit, ds.PixelRepresentation = stored, stored - 1, int(signed)
    return ds


def pixels(ds, array, depth, syntax):
    order = ">" if syntax == BIG else "<"
    if depth == "float":
        ds.FloatPixelData = array.astype(order + "f4").tobytes()
    elif depth == "double":
        ds.DoubleFloatPixelData = array.astype(order + "f8").tobytes()
    else:
        ds.PixelData = array.astype(array.dtype.newbyteorder(order)).tobytes()
        ds["PixelData"].VR = "OB" if ds.BitsAllocated == 8 and syntax != IMPLICIT else "OW"


def classic(depth):
    out = []
    data = values(depth)
    for e, time in enumerate(ECHOES):
        for s in range(SLICES):
            ds = base(depth, MR)
            ds.ImageType = ["ORIGINAL", "PRIMARY", "M", "ND"]
            ds.ScanningSequence, ds.SequenceVariant, ds.ScanOptions = "GR", "SP", ""
            ds.MRAcquisitionType, ds.RepetitionTime, ds.FlipAngle, ds.EchoTrainLength = "2D", 120.0, 20.0, len(ECHOES)
            ds.EchoTime, ds.EchoNumbers, ds.InstanceNumber = time, e + 1, 100 - len(out)
            ds.AcquisitionNumber = 1
            ds.ImagePositionPatient = [f"{x:.10g}" for x in POSITIONS[s]]
            ds.ImageOrientationPatient = [f"{x:.10g}" for x in [*ROW, *COLUMN]]
            ds.PixelSpacing, ds.SliceThickness, ds.SpacingBetweenSlices = SPACING, 8.0, 9.5
            ds.RescaleSlope, ds.RescaleIntercept, ds.RescaleType = SLOPES[e], 0, "US"
            out.append((ds, data[s, e][None]))
    return out


def enhanced(depth):
    ds = base(depth, ENHANCED)
    ds.ImageType = ["ORIGINAL", "PRIMARY", "M", "NONE"]
    ds.PixelPresentation, ds.VolumetricProperties, ds.VolumeBasedCalculationTechnique = "MONOCHROME", "VOLUME", "NONE"
    ds.ComplexImageComponent, ds.AcquisitionContrast = "MAGNITUDE", "T2_STAR"
    ds.EchoPulseSequence, ds.PulseSequenceName = "GRADIENT", "gre"
    ds.InstanceNumber, ds.NumberOfFrames = 1, SLICES * len(ECHOES)
    shared = Dataset()
    timing, measures, orientation = Dataset(), Dataset(), Dataset()
    timing.RepetitionTime, timing.FlipAngle, timing.GradientEchoTrainLength = 120.0, 20.0, len(ECHOES)
    measures.PixelSpacing, measures.SliceThickness, measures.SpacingBetweenSlices = SPACING, 8.0, 9.5
    orientation.ImageOrientationPatient = [f"{x:.10g}" for x in [*ROW, *COLUMN]]
    shared.MRTimingAndRelatedParametersSequence = [timing]
    shared.PixelMeasuresSequence, shared.PlaneOrientationSequence = [measures], [orientation]
    ds.SharedFunctionalGroupsSequence = [shared]
    groups, data = [], []
    source = values(depth)
    order = [(s, e) for s in range(SLICES) for e in range(len(ECHOES))]
    np.random.default_rng(1).shuffle(order)
    for s, e in order:
        group, echo, position, transform, content, kind = (Dataset() for _ in range(6))
        echo.EffectiveEchoTime = ECHOES[e]
        position.ImagePositionPatient = [f"{x:.10g}" for x in POSITIONS[s]]
        transform.RescaleSlope, transform.RescaleIntercept, transform.RescaleType = SLOPES[e], 0, "US"
        content.FrameAcquisitionDateTime, content.FrameAcquisitionNumber = "20260314101530", 1
        kind.FrameType, kind.ComplexImageComponent = ["ORIGINAL", "PRIMARY", "M", "NONE"], "MAGNITUDE"
        group.MREchoSequence, group.PlanePositionSequence = [echo], [position]
        group.PixelValueTransformationSequence, group.FrameContentSequence = [transform], [content]
        group.MRImageFrameTypeSequence = [kind]
        groups.append(group)
        data.append(source[s, e])
    ds.PerFrameFunctionalGroupsSequence = groups
    return [(ds, np.stack(data))]


def legacy(depth):
    parts = []
    for ds, array in classic(depth):
        ds = copy.deepcopy(ds)
        pixels(ds, array, depth, EXPLICIT)
        ds.file_meta = FileMetaDataset()
        ds.file_meta.TransferSyntaxUID = UID(EXPLICIT)
        parts.append(ds)
    converted = highdicom.legacy.LegacyConvertedEnhancedMRImage(
        parts, series_instance_uid=SERIES, series_number=5, sop_instance_uid=generate_uid(), instance_number=1
    )
    array = converted.pixel_array
    ds = Dataset()
    for element in converted:
        if element.tag != 0x7FE00010:
            ds.add(element)
    return [(ds, array if array.ndim == 3 else array[None])]


def high_throughput(array, syntax):
    """Fragments of HTJ2K, which pylibjpeg cannot write. OpenJPH, behind imagecodecs, orders packets RPCL always."""
    frames = [imagecodecs.htj2k_encode(frame, reversible=True, tlm=syntax == HTR) for frame in array]
    return encapsulate([bytes(frame) for frame in frames])


def write(folder, items, depth, syntax):
    folder.mkdir(parents=True)
    for i, (source, array) in enumerate(items):
        ds = copy.deepcopy(source)
        ds.file_meta = FileMetaDataset()
        ds.file_meta.MediaStorageSOPClassUID, ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPClassUID, ds.SOPInstanceUID
        path = folder / f"f{i:03}"
        if syntax in PLAIN:
            pixels(ds, array, depth, syntax)
            ds.file_meta.TransferSyntaxUID = UID(syntax)
            pydicom.dcmwrite(path, ds, enforce_file_format=True, implicit_vr=syntax == IMPLICIT, little_endian=syntax != BIG)
            continue
        pixels(ds, array, depth, EXPLICIT)
        ds.file_meta.TransferSyntaxUID = UID(EXPLICIT)
        if syntax in (RLE, LS, J2K):
            ds.compress(UID(syntax), generate_instance_uid=False)
        elif syntax in (HT, HTR):
            ds.PixelData = high_throughput(array, syntax)
            ds["PixelData"].VR, ds["PixelData"].is_undefined_length = "OB", True
            ds.file_meta.TransferSyntaxUID = UID(syntax)
        pydicom.dcmwrite(path, ds, enforce_file_format=True)
        if syntax in (JPEG57, JPEG70):
            option = "+el" if syntax == JPEG57 else "+e1"
            packed = path.with_suffix(".packed")
            subprocess.run(["dcmcjpeg", option, "+un", str(path), str(packed)], check=True, capture_output=True)
            packed.replace(path)


def possible(depth, syntax):
    if syntax in PLAIN:
        return True
    if depth in ("float", "double"):
        return False
    if depth == "u32":  # no encoder takes 32 bits
        return False
    if depth == "s16":
        # dcmtk and OpenJPH take unsigned samples only.
        return syntax in (RLE, LS, J2K)
    return True


def check(folder, depth):
    """Why a reading is wrong, or '' where it is right."""
    read = json.loads((folder / "read.json").read_text())
    if "refused" in read:
        return read["refused"]
    data = values(depth).astype(np.float64) * np.array(SLOPES)[None, :, None, None]
    wanted = np.transpose(data, (1, 0, 2, 3)).astype(np.float32)
    found = np.fromfile(folder / "magnitude.f32", "<f4")
    if found.size != wanted.size:
        return f"{found.size} values, not {wanted.size}"
    if not np.array_equal(found, wanted.ravel()):
        return f"{np.count_nonzero(found != wanted.ravel())} pixels differ"
    if not np.allclose(read["echo_times_ms"], ECHOES, atol=1e-9):
        return f"echo times {read['echo_times_ms']}"
    if not np.allclose(read["positions"], POSITIONS, atol=1e-6):
        return "positions differ"
    if not np.allclose([*read["along_row"], *read["along_column"]], [*ROW, *COLUMN], atol=1e-8):
        return "orientation differs"
    if not np.allclose(read["spacing"], SPACING):
        return "spacing differs"
    if read["name"] != "Matrix^Müller":
        return f"name {read['name']}"
    return ""


STUDY, SERIES, PLACE = generate_uid(), generate_uid(), generate_uid()
FORMATS = {"classic": classic, "enhanced": enhanced, "legacy converted": legacy}


def main():
    root = pathlib.Path(tempfile.mkdtemp(prefix="siderolog-matrix-"))
    cases = []
    for format_name, make in FORMATS.items():
        for depth in DEPTHS:
            if format_name == "legacy converted" and depth in ("u32", "float", "double"):
                continue  # highdicom converts 8 and 16 bits only
            items = make(depth)
            for syntax_name, syntax in SYNTAXES.items():
                if possible(depth, syntax):
                    folder = root / f"{len(cases):03}"
                    write(folder, items, depth, syntax)
                    cases.append((format_name, depth, syntax_name, folder))
    features = os.environ.get("SIDEROLOG_FEATURES", "")
    command = ["cargo", "test", "--release", "--quiet", "--test", "suite"]
    command += ["--features", features] if features else []
    command = os.environ.get("SIDEROLOG_SUITE", "").split() or [*command, "--"]
    command += ["intake::matrix", "--nocapture"]
    subprocess.run(command, check=True, env={**os.environ, "SIDEROLOG_MATRIX": str(root)}, stdout=subprocess.DEVNULL)
    results, passed, failed = {}, 0, 0
    for format_name, depth, syntax_name, folder in cases:
        wrong = check(folder, depth)
        expected_refusal = syntax_name == "JPEG-LS" and "jpeg-ls" not in features
        if expected_refusal:
            good, word = "no JPEG-LS decoder" in wrong, "refused"
        else:
            good, word = not wrong, "exact"
        passed, failed = passed + good, failed + (not good)
        results[format_name, depth, syntax_name] = word if good else f"WRONG: {wrong}"
    width = max(len(name) for name in SYNTAXES)
    for format_name in FORMATS:
        print(f"\n{format_name:{width}}  " + "  ".join(f"{d:>7}" for d in DEPTHS))
        for syntax_name in SYNTAXES:
            row = [results.get((format_name, d, syntax_name), "-") for d in DEPTHS]
            print(f"{syntax_name:{width}}  " + "  ".join(f"{r:>7}" for r in row))
    shutil.rmtree(root)
    print(f"\n{passed} passed, {failed} failed")
    return failed != 0


if __name__ == "__main__":
    sys.exit(main())
