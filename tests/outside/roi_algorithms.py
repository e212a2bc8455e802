"""The region's known algorithms against other people's implementations: connected components and the best split into
two classes (Otsu) by scikit-image, distances, nearness and holes by scipy. Their answers on one input are kept in
fixtures/roi-algorithms.json, which the unit tests of pipeline/roi hold our own against; here they are computed anew.
`--write` writes the file. The segmentations of ../shared/data/dicom_outputs are opened by highdicom where they are."""

import json
import sys
from pathlib import Path

import highdicom
import numpy as np
from scipy import ndimage
from skimage.filters import threshold_otsu
from skimage.measure import label

ROOT = Path(__file__).resolve().parents[2]
FILE = ROOT / "fixtures" / "roi-algorithms.json"
SHARED = ROOT.parent / "shared" / "data" / "dicom_outputs"
SPACING = [6.0, 1.5, 2.25]
REACH_MM = 4.0


def in_order(labels: np.ndarray) -> list[int]:
    """Labels numbered by their first voxels."""
    seen: dict[int, int] = {0: 0}
    return [seen.setdefault(int(value), len(seen)) for value in labels.ravel()]


def by_slice(volume: np.ndarray, work) -> np.ndarray:
    return np.stack([work(image) for image in volume])


def share(values: np.ndarray) -> float:
    """Share of the variance that Otsu's split explains, without the outermost hundredth on each side."""
    kept = np.sort(values)
    trim = len(kept) // 100
    kept = kept[trim : len(kept) - trim]
    low, high = kept[kept <= threshold_otsu(kept, nbins=4096)], kept[kept > threshold_otsu(kept, nbins=4096)]
    mean = kept.mean()
    between = len(low) * (low.mean() - mean) ** 2 + len(high) * (high.mean() - mean) ** 2
    return float(between / ((kept - mean) ** 2).sum())


def answers() -> dict:
    rng = np.random.default_rng(20260314)
    volume = ndimage.gaussian_filter(rng.normal(size=(3, 14, 17)), (0.5, 1.0, 1.0)) > 0.08
    volume[1, 3:9, 4:10] = True
    volume[1, 5:7, 6:8] = False
    planes = label(volume, connectivity=1) * 0
    offset = 0
    for slice_, image in enumerate(volume):
        own = label(image, connectivity=1)
        planes[slice_] = np.where(own > 0, own + offset, 0)
        offset += own.max()
    two = np.concatenate([rng.normal(4.5, 0.2, 300), rng.normal(5.6, 0.3, 180)])
    flat = lambda image: ndimage.distance_transform_edt(~image, sampling=SPACING[1:])
    near = by_slice(volume, flat)
    return {
        "shape": list(volume.shape),
        "spacing": SPACING,
        "set": [int(v) for v in volume.ravel()],
        "pieces_in_planes": in_order(planes),
        "pieces_in_space": in_order(label(volume, connectivity=1)),
        "filled": [int(v) for v in by_slice(volume, ndimage.binary_fill_holes).ravel()],
        "distance_in_planes": [round(float(v), 5) for v in near.ravel()],
        "distance_in_space": [
            round(float(v), 5) for v in ndimage.distance_transform_edt(~volume, sampling=SPACING).ravel()
        ],
        "reach_mm": REACH_MM,
        "grown": [int(v) for v in (near <= REACH_MM).ravel()],
        "values": [round(float(v), 6) for v in two],
        "share_of_best_split": round(share(np.round(two, 6)), 5),
    }


def main() -> None:
    found = answers()
    if "--write" in sys.argv:
        FILE.write_text(json.dumps(found) + "\n")
    kept = json.loads(FILE.read_text())
    failed = 0
    for name, value in found.items():
        same = np.allclose(np.asarray(kept[name], dtype=float), np.asarray(value, dtype=float), atol=2e-5)
        failed += not same
        if not same:
            print(f"FAILED: {name} is not what it was when the file was written")
    passed = len(found) - failed
    if SHARED.is_dir():
        import pydicom

        for path in sorted(SHARED.rglob("*")):
            if not path.is_file():
                continue
            try:
                kind = pydicom.dcmread(path, stop_before_pixels=True, force=False).SOPClassUID
            except Exception:
                continue
            if kind == "1.2.840.10008.5.1.4.1.1.66.4":
                seg = highdicom.seg.segread(path)
                assert seg.number_of_segments >= 1, path
                assert seg.pixel_array.any(), path
                passed += 1
    else:
        print(f"SKIPPED: {SHARED} is not here")
    print(f"{passed} passed, {failed} failed")
    sys.exit(failed > 0)


main()
