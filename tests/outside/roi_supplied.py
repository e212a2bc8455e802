"""Regions delivered beside a series: a SEG written by highdicom and a label image written by nibabel are measured
exactly as drawn; our own roi.dcm comes back the same; a region of another patient or grid is named and not used."""

import json
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import highdicom
import nibabel
import numpy as np
import pydicom
from highdicom.seg import SegmentAlgorithmTypeValues, SegmentDescription, Segmentation, SegmentationTypeValues
from pydicom.sr.codedict import codes

SIDEROLOG = os.environ.get("SIDEROLOG", "target/release/siderolog")
RECIPE = "seed: 5\ngrid: {slices: 3}\nsequence: {echoes: 8}\n"


def run(*arguments: str) -> None:
    done = subprocess.run([SIDEROLOG, *arguments], capture_output=True, text=True)
    if done.returncode not in (0, 3, 4):
        raise SystemExit(f"siderolog {arguments}: exit status {done.returncode}\n{done.stderr}")


def analyse(folder: Path, out: Path) -> tuple[dict, Path]:
    run("analyse", str(folder), "--out", str(out))
    results = sorted(out.glob("*/result.json"))
    assert len(results) == 1, f"{len(results)} results"
    return json.loads(results[0].read_text()), results[0].parent


def slices_of(series: Path) -> list[pydicom.Dataset]:
    """The images of the first echo, from the feet up."""
    files = [pydicom.dcmread(path) for path in sorted(series.rglob("*.dcm"))]
    images = [ds for ds in files if ds.SOPClassUID == "1.2.840.10008.5.1.4.1.1.4"]
    first = min(float(ds.EchoTime) for ds in images)
    return sorted((ds for ds in images if float(ds.EchoTime) == first), key=lambda ds: ds.ImagePositionPatient[2])


def seg(sources: list[pydicom.Dataset], mask: np.ndarray, kind: SegmentationTypeValues) -> Segmentation:
    described = SegmentDescription(
        segment_number=1,
        segment_label="Liver",
        segmented_property_category=codes.SCT.Organ,
        segmented_property_type=codes.SCT.Liver,
        algorithm_type=SegmentAlgorithmTypeValues.MANUAL,
    )
    return Segmentation(
        source_images=sources,
        pixel_array=mask,
        segmentation_type=kind,
        segment_descriptions=[described],
        series_instance_uid=highdicom.UID(),
        series_number=900,
        sop_instance_uid=highdicom.UID(),
        instance_number=1,
        manufacturer="outside check",
        manufacturer_model_name="outside check",
        software_versions="1",
        device_serial_number="1",
        omit_empty_frames=False,
    )


def main() -> int:
    failures, checks = [], 0

    def check(name: str, good: bool, detail: object = "") -> None:
        nonlocal checks
        checks += 1
        if not good:
            failures.append(name)
            print(f"FAILED {name}: {detail}")

    with tempfile.TemporaryDirectory() as scratch:
        root = Path(scratch)
        (root / "recipe.yaml").write_text(RECIPE)
        run("simulate", "--recipe", str(root / "recipe.yaml"), "--out", str(root / "series"))
        plain, folder = analyse(root / "series", root / "plain")
        check("without a region the search is automatic", plain["roi"]["method"] == "automatic", plain["roi"])
        sources = slices_of(root / "series")
        shape = (len(sources), sources[0].Rows, sources[0].Columns)
        mask = np.zeros(shape, dtype=np.uint8)
        mask[:, 50:72, 40:66] = 1
        mask[1, 60:64, 50:53] = 0
        count = int(mask.sum())

        def beside(name: str, write) -> dict:
            delivery = root / name
            shutil.copytree(root / "series", delivery)
            write(delivery)
            return analyse(delivery, root / f"{name}-out")[0]

        own = beside("own", lambda d: shutil.copy(folder / "roi.dcm", d / "roi.dcm"))
        check("our own SEG is read", own["roi"]["method"] == "supplied", own["roi"])
        check("our own SEG gives the same region", own["roi"]["digest"] == plain["roi"]["digest"], own["roi"])
        for kind in (SegmentationTypeValues.BINARY, SegmentationTypeValues.FRACTIONAL):
            drawn = mask.astype(float) if kind == SegmentationTypeValues.FRACTIONAL else mask
            given = beside(kind.name, lambda d: seg(sources, drawn, kind).save_as(d / "seg.dcm"))
            check(f"highdicom's {kind.name} SEG is measured as drawn", given["roi"]["voxels"] == count, given["roi"])
        spacing = [float(v) for v in sources[0].PixelSpacing]
        step = float(sources[1].ImagePositionPatient[2] - sources[0].ImagePositionPatient[2])
        origin = [float(v) for v in sources[0].ImagePositionPatient]
        affine = np.diag([-spacing[1], -spacing[0], step, 1.0])
        affine[:3, 3] = [-origin[0], -origin[1], origin[2]]
        image = nibabel.Nifti1Image(mask.transpose(2, 1, 0), affine)
        given = beside("nifti", lambda d: nibabel.save(image, d / "liver.nii.gz"))
        check("nibabel's label image is measured as drawn", given["roi"]["voxels"] == count, given["roi"])
        turned = nibabel.Nifti1Image(mask.transpose(2, 1, 0)[::-1], affine @ np.array(
            [[-1, 0, 0, shape[2] - 1], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]], dtype=float))
        given = beside("turned", lambda d: nibabel.save(turned, d / "liver.nii"))
        check("a label image stored the other way round is the same", given["roi"]["voxels"] == count, given["roi"])

        def refused(result: dict) -> bool:
            return result["roi"]["method"] == "automatic" and any(
                f["code"] == "region-refused" for f in result["findings"])

        affine[0, 3] += 1.3
        moved = nibabel.Nifti1Image(mask.transpose(2, 1, 0), affine)
        given = beside("moved", lambda d: nibabel.save(moved, d / "liver.nii.gz"))
        check("a label image on another grid is refused", refused(given), given["findings"])

        def other_patient(delivery: Path) -> None:
            stranger = seg(sources, mask, SegmentationTypeValues.BINARY)
            stranger.PatientID = "SOMEBODY-ELSE"
            stranger.save_as(delivery / "seg.dcm")

        given = beside("stranger", other_patient)
        check("a SEG of another patient is refused", refused(given), given["findings"])
    print(f"{checks - len(failures)} passed, {len(failures)} failed")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
