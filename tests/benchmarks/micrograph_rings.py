"""Rings in micrographs against their bars: `python -m tests.benchmarks.micrograph_rings [draws]`.

Prints rms error of radius and centre over simulated 8-bit 1280 × 1024 pictures (blur 1–4 px, noise 1–3 %, uneven light,
pillar shadow, dust), how the stated sigmas hold, and speed and scatter beside scikit-image's Canny edges and RANSAC
circles doing the same: disc and pillar of the same picture, in turn, each the best of three in processor time.
"""

from __future__ import annotations

import sys
import time
import warnings
from collections.abc import Callable

import numpy as np
from skimage import img_as_float
from skimage.feature import canny
from skimage.measure import CircleModel, ransac

from app.core.imaging.rings import find_rings
from tests.simulated_micrographs import Truth, micrograph

Circles = list[tuple[float, float, float]]


def ours(picture: np.ndarray) -> Circles:
    """(radius, x, y) of every ring found."""
    return [(ring.outline.radius, ring.outline.x, ring.outline.y) for ring in find_rings(picture.astype(np.float32))]


def second_opinion(picture: np.ndarray) -> Circles:
    """Canny edges, then the two circles most of them lie on, one after the other."""
    edges = canny(img_as_float(picture), sigma=2.5, low_threshold=0.015, high_threshold=0.03)
    points = np.argwhere(edges)[:, ::-1].astype(float)
    found: Circles = []
    for _ in range(2):
        model, inliers = ransac(points, CircleModel, 3, 1.5, max_trials=500, rng=1)
        if model is None:
            break
        found.append((float(model.radius), *(float(each) for each in model.center)))
        points = points[~inliers]
    return found


def errors(found: Circles, truth: Truth) -> np.ndarray | None:
    """Disc's and pillar's error of radius, x and y; None where one was not found within 5 px."""
    rows = []
    for x, y, radius in (truth.disc, truth.pillar):
        near = min(found, key=lambda each: abs(each[0] - radius), default=None)
        if near is None or abs(near[0] - radius) > 5:
            return None
        rows.append((near[0] - radius, near[1] - x, near[2] - y))
    return np.array(rows)


def best_ms(work: Callable[[np.ndarray], Circles], picture: np.ndarray) -> float:
    """Processor time of the quickest of three goes, in ms."""
    times = []
    for _ in range(3):
        start = time.process_time()
        work(picture)
        times.append(1000 * (time.process_time() - start))
    return min(times)


def main() -> None:
    """Print the figures."""
    warnings.simplefilter("ignore")
    draws = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    rng = np.random.default_rng(20)
    kept: dict[str, list[np.ndarray]] = {"ours": [], "second": []}
    lost = dict.fromkeys(kept, 0)
    times: dict[str, list[float]] = {"ours": [], "second": []}
    for _ in range(draws):
        drawn, truth = micrograph(rng)
        picture = np.clip(drawn * 255, 0, 255).astype(np.uint8)  # as a microscope's file holds it
        for name, work in (("ours", ours), ("second", second_opinion)):
            times[name].append(best_ms(work, picture))
            error = errors(work(picture), truth)
            if error is None:
                lost[name] += 1
            else:
                kept[name].append(error)
    for name, title in (("ours", "radial edges"), ("second", "Canny + RANSAC")):
        rms = np.sqrt(np.mean(np.square(kept[name]), axis=0)) if kept[name] else np.full((2, 3), np.nan)
        print(f"{title}: {np.median(times[name]):.1f} ms, not found {lost[name]} of {draws}")
        for what, row in zip(("disc", "pillar"), rms, strict=True):
            print(f"  {what}: rms of radius {row[0]:.4f}, x {row[1]:.4f}, y {row[2]:.4f} px")
    print(f"{np.median(np.array(times['second']) / np.array(times['ours'])):.1f} times as fast")


if __name__ == "__main__":
    main()
