"""The digital phantom seen from outside: pydicom reads it, scipy fits it, nibabel opens its labels.

Usage: phantom.py PATH/TO/siderolog
"""

import json
import pathlib
import subprocess
import sys
import tempfile

import nibabel
import numpy
import pydicom
from scipy.ndimage import binary_erosion
from scipy.optimize import curve_fit

passed, failed = 0, 0


def check(name, holds, found):
    global passed, failed
    passed, failed = passed + bool(holds), failed + (not holds)
    print(f"{'ok  ' if holds else 'FAIL'} {name}: {found}")


def simulate(program, folder, name, text):
    recipe = folder / f"{name}.yaml"
    recipe.write_text(text)
    subprocess.run([program, "simulate", "--out", folder, "--recipe", recipe, "--labels"], check=True, stdout=subprocess.DEVNULL)
    return json.loads((folder / f"{name}.truth.json").read_text()), nibabel.load(folder / f"{name}.truth.nii")


def classic(folder):
    """Echo times in ms, and magnitude as echo, slice, row, column, from the attributes of classic images."""
    images = [pydicom.dcmread(path) for path in sorted(folder.rglob("*.dcm"))]
    images = [i for i in images if list(i.ImageType)[2:] == ["M"]]
    times = sorted({float(i.EchoTime) for i in images})
    places = sorted({float(i.ImagePositionPatient[2]) for i in images})
    first = images[0]
    data = numpy.full((len(times), len(places), first.Rows, first.Columns), numpy.nan)
    for i in images:
        at = times.index(float(i.EchoTime)), places.index(float(i.ImagePositionPatient[2]))
        data[at] = i.pixel_array * float(i.RescaleSlope) + float(i.RescaleIntercept)
    return numpy.array(times), data, first


def labels_of(image):
    # NIfTI stores columns first.
    return numpy.asarray(image.dataobj).transpose(2, 1, 0)


def main(program):
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        plain = "grid: {slices: 2}\nreceive: {snr: 300, field_disturbance: false}\nbody: {irregularity: 1.0}\n"

        # A pure water liver decays with the R2* that was asked for.
        for field, r2star in [(1.5, 60), (1.5, 400), (3, 900)]:
            text = f"seed: 5\nfield_strength_t: {field}\nliver: {{r2star: {r2star}, fat_fraction: 0}}\n" + plain
            truth, image = simulate(program, folder, f"water-{field}-{r2star}", text)
            times, data, first = classic(folder / f"water-{field}-{r2star}")
            # Away from partial volume with vessels and edges; a random sample.
            liver = binary_erosion(labels_of(image) == 3, numpy.ones((1, 3, 3)))
            index = numpy.random.default_rng(1).choice(numpy.flatnonzero(liver), 1500, replace=False)
            samples = data.reshape(len(times), -1)[:, index]
            keep = times / 1000 * r2star < 3
            rates = [
                curve_fit(lambda t, s, r: s * numpy.exp(-r * t), times[keep] / 1000, y[keep], p0=[1000, r2star])[0][1]
                for y in samples.T
            ]
            found = float(numpy.median(rates))
            check(f"R2* {r2star} at {field} T", abs(found / r2star - 1) < 0.02, round(found, 1))
            check("truth says the same", abs(truth["median_r2star_per_s"] / r2star - 1) < 1e-3, truth["median_r2star_per_s"])
            check("field strength in the header", float(first.MagneticFieldStrength) == field, first.MagneticFieldStrength)

        # Fat under the skin: a sum of six peaks with their own frequencies, computed here again.
        text = "seed: 6\ngrid: {slices: 1}\nbody: {fat_mm: 40, half_width_mm: 190, half_depth_mm: 140}\nreceive: {snr: 500, field_disturbance: false}\n"
        _, image = simulate(program, folder, "fat", text)
        times, data, _ = classic(folder / "fat")
        fat = labels_of(image) == 1
        column = numpy.median(data[:, fat], axis=1)
        shift = numpy.array([-3.80, -3.40, -2.60, -1.94, -0.39, 0.60]) * 42.577478518 * 1.5
        share = numpy.array([0.087, 0.693, 0.128, 0.004, 0.039, 0.048])
        peaks = (share / share.sum() * numpy.exp(2j * numpy.pi * shift * times[:, None] / 1000)).sum(axis=1)
        wanted = abs(0.06 + 0.94 * peaks) * numpy.exp(-38 * times / 1000)
        ratio = column / wanted / (column[0] / wanted[0])
        check("six-peak fat", numpy.abs(ratio - 1).max() < 0.02, numpy.round(ratio, 3))

        # Noise in air: Rayleigh with the stated sigma.
        corner = data[:, 0, :6, :20].ravel()
        truth = json.loads((folder / "fat.truth.json").read_text())
        sigma = float(numpy.sqrt((corner**2).mean() / 2))
        check("sigma in air", abs(sigma / truth["sigma"] - 1) < 0.08, round(sigma, 3))

        # Enhanced and classic exports of one recipe hold the same numbers.
        body = "seed: 7\ngrid: {slices: 2, rows: 64, columns: 80, pixel_mm: [4.8, 4.8]}\n"
        simulate(program, folder, "classic", body)
        simulate(program, folder, "enhanced", body + "export: {format: enhanced}\n")
        times, data, _ = classic(folder / "classic")
        multi = pydicom.dcmread(next((folder / "enhanced").rglob("*.dcm")))
        same = True
        for frame, stored in zip(multi.PerFrameFunctionalGroupsSequence, multi.pixel_array):
            echo = frame.MREchoSequence[0].EffectiveEchoTime
            place = frame.FrameContentSequence[0].InStackPositionNumber - 1
            scale = frame.PixelValueTransformationSequence[0]
            value = stored * float(scale.RescaleSlope) + float(scale.RescaleIntercept)
            same &= numpy.array_equal(value, data[list(times).index(echo), place])
        check("enhanced equals classic", same, f"{len(multi.pixel_array)} frames")

    print(f"{passed} passed, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
