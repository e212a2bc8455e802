"""A site's own segmenter in Python: nibabel and pydicom find in the folder what the request says, a label image written by
nibabel and a SEG written by highdicom are measured exactly as drawn, and the fences hold for an interpreter too."""

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

SIDEROLOG = os.environ.get("SIDEROLOG", "target/release/siderolog")
RECIPE = "seed: 5\ngrid: {slices: 3}\nsequence: {echoes: 8}\n"

# Runs as the segmenter: what it raises is the last that it prints.
SEGMENTER = '''
import json, socket, sys
from pathlib import Path
import nibabel, numpy as np, pydicom

kind, folder = sys.argv[1], Path(sys.argv[2])
request = json.loads((folder / "request.json").read_text())
image = nibabel.load(folder / request["images"])
columns, rows, slices, echoes = request["shape"]
assert image.shape == (columns, rows, slices, echoes), image.shape
assert np.allclose(image.header.get_zooms()[:3], request["spacing_mm"]), image.header.get_zooms()
dicom = request["dicom"]
files = [pydicom.dcmread(path) for path in dicom["files"]]
assert len(files) == slices * echoes, len(files)
assert sorted({float(ds.EchoTime) for ds in files}) == [round(t, 9) for t in request["echo_times_ms"]]
assert {ds.PatientID for ds in files} == {dicom["patient_id"]}
assert {ds.StudyInstanceUID for ds in files} == {dicom["study_uid"]}
assert {ds.FrameOfReferenceUID for ds in files} == {dicom["frame_of_reference_uid"]}
assert {ds.SOPInstanceUID for ds in files} == {instance["uid"] for instance in dicom["instances"]}
by_uid = {ds.SOPInstanceUID: ds for ds in files}
data = image.get_fdata()
assert len(dicom["frames"]) == len(files)
for frame in dicom["frames"]:
    ds = by_uid[dicom["instances"][frame["instance"]]["uid"]]
    stored = ds.pixel_array * float(ds.get("RescaleSlope", 1)) + float(ds.get("RescaleIntercept", 0))
    volume = data[:, :, frame["slice"], frame["echo"]]
    assert np.allclose(volume.T, stored, rtol=1e-6), "other samples"
    assert float(ds.EchoTime) == round(request["echo_times_ms"][frame["echo"]], 9)
    # The first voxel of the slice, in NIfTI's right and front.
    place = image.affine @ [0, 0, frame["slice"], 1]
    assert np.allclose(place[:3] * [-1, -1, 1], [float(v) for v in ds.ImagePositionPatient], atol=1e-3), place
    assert np.allclose(dicom["image_positions_patient"][frame["slice"]], [float(v) for v in ds.ImagePositionPatient])
    assert np.allclose(sum(dicom["image_orientation_patient"], []), [float(v) for v in ds.ImageOrientationPatient])
try:
    socket.socket()
except PermissionError:
    pass
else:
    raise AssertionError("the network is open")
mask = np.zeros((columns, rows, slices), dtype=np.uint8)
mask[40:66, 50:72, :] = 1
mask[50:53, 60:64, 1] = 0
if kind == "nifti":
    nibabel.save(nibabel.Nifti1Image(mask, image.affine), folder / "liver.nii.gz")
elif kind == "moved":
    affine = image.affine.copy()
    affine[0, 3] += 1.3
    nibabel.save(nibabel.Nifti1Image(mask, affine), folder / "liver.nii.gz")
else:
    import highdicom
    from highdicom.seg import SegmentAlgorithmTypeValues, SegmentDescription, Segmentation, SegmentationTypeValues
    from pydicom.sr.codedict import codes

    first = [frame for frame in dicom["frames"] if frame["echo"] == 0]
    first.sort(key=lambda frame: frame["slice"])
    sources = [by_uid[dicom["instances"][frame["instance"]]["uid"]] for frame in first]
    algorithm = highdicom.AlgorithmIdentificationSequence(
        name="outside check", version="1", family=codes.DCM.ArtificialIntelligence)
    described = SegmentDescription(
        segment_number=1, segment_label="Liver", segmented_property_category=codes.SCT.Organ,
        segmented_property_type=codes.SCT.Liver, algorithm_type=SegmentAlgorithmTypeValues.AUTOMATIC,
        algorithm_identification=algorithm)
    segmentation = Segmentation(
        source_images=sources, pixel_array=mask.transpose(2, 1, 0), segmentation_type=SegmentationTypeValues.BINARY,
        segment_descriptions=[described], series_instance_uid=highdicom.UID(), series_number=900,
        sop_instance_uid=highdicom.UID(), instance_number=1, manufacturer="outside check",
        manufacturer_model_name="outside check", software_versions="1", device_serial_number="1",
        omit_empty_frames=False)
    if kind == "stranger":
        segmentation.PatientID = "SOMEBODY-ELSE"
    segmentation.save_as(folder / "liver.dcm")
'''
# Of the mask above.
VOXELS = 26 * 22 * 3 - 3 * 4


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
        (root / "segmenter.py").write_text(SEGMENTER)
        simulate = [SIDEROLOG, "simulate", "--recipe", str(root / "recipe.yaml"), "--out", str(root / "series")]
        subprocess.run(simulate, check=True, capture_output=True)
        for kind in ("nifti", "seg", "moved", "stranger"):
            site = {"segmenter": {"command": [sys.executable, str(root / "segmenter.py"), kind], "name": f"own {kind}"}}
            (root / "site.yaml").write_text(json.dumps(site))
            out = root / kind
            command = [SIDEROLOG, "analyse", str(root / "series"), "--site", str(root / "site.yaml"), "--out", str(out)]
            done = subprocess.run(command, capture_output=True, text=True)
            results = sorted(out.glob("*/result.json"))
            assert len(results) == 1, f"{len(results)} results\n{done.stderr}"
            result = json.loads(results[0].read_text())
            ran = json.loads(results[0].with_name("run.json").read_text())["segmenter"]
            check(f"{kind}: it finds what the request says", [r["outcome"] for r in ran] == ["ended"], ran)
            codes = [finding["code"] for finding in result["findings"]]
            if kind in ("nifti", "seg"):
                check(f"{kind}: measured as drawn", result["roi"]["voxels"] == VOXELS, (result["roi"], codes))
                check(f"{kind}: named", result["roi"]["segmenter"]["name"] == f"own {kind}", result["roi"])
            else:
                refused = result["roi"]["method"] == "automatic" and "region-refused" in codes
                check(f"{kind}: refused with the reason", refused, (result["roi"], codes))
            left = [path.name for path in out.iterdir() if path.name.startswith(".")]
            check(f"{kind}: nothing is left", not left, left)
    print(f"{checks - len(failures)} passed, {len(failures)} failed")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
