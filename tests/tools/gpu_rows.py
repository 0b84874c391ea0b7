"""Rows of sums of some stones by the GPU driver on a simulated card, beside those of the CPU driver, in plain Python.

NUMBA_ENABLE_CUDASIM=1 NUMBA_DISABLE_JIT=1 python tests/tools/gpu_rows.py     prints the largest difference of each
"""

import warnings

import logged_paths
import numpy as np

from facetrace.kernel import driver, gpu_driver
from facetrace.kernel.tally import SUMS
from facetrace.trace.run import over_silhouette

# rows of a set each, more than one warp has lanes; rays of a row
FIRST, ROWS, RAYS = 40, 36, 2
FLOOR = 0.1

if __name__ == "__main__":
    warnings.simplefilter("error")
    for name, scene in logged_paths.scenes().items():
        rays = over_silhouette(scene, 5, 0, RAYS, RAYS, FLOOR)
        sums = np.zeros((ROWS, SUMS))
        driver.trace_rows(scene.arrays, rays, FIRST, 1, sums, None)
        found = gpu_driver.trace_rows([scene.arrays], [rays], FIRST, ROWS)[0]
        again = gpu_driver.trace_rows([scene.arrays], [rays], FIRST + 1, ROWS - 1)[0]
        print(f"{name}: {np.abs(found - sums).max():.1e} {np.abs(again - sums[1:]).max():.1e}")
