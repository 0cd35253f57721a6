"""Tables of repeatability and temperature studies."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

# AIAG, Measurement Systems Analysis, 4th ed.: ten parts, operators A | B | C, three trials each [page].
AIAG = """
 .29  .41  .64 |  .08  .25  .07 |  .04 -.11 -.15
-.56 -.68 -.58 | -.47 -1.22 -.68 | -1.38 -1.13 -.96
1.34 1.17 1.27 | 1.19  .94 1.34 |  .88 1.09  .67
 .47  .50  .64 |  .01 1.03  .20 |  .14  .20  .11
-.80 -.92 -.84 | -.56 -1.20 -1.28 | -1.46 -1.07 -1.45
 .02 -.11 -.21 | -.20  .22  .06 | -.29 -.67 -.49
 .59  .75  .66 |  .47  .55  .83 |  .02  .01  .21
-.31 -.20 -.17 | -.63  .08 -.34 | -.46 -.56 -.49
2.26 1.99 2.01 | 1.80 2.12 2.19 | 1.77 1.45 1.87
-1.36 -1.25 -1.31 | -1.68 -1.62 -1.50 | -1.49 -1.77 -2.16
"""


def aiag() -> NDArray[np.float64]:
    return np.array([[list(map(float, c.split())) for c in row.split("|")] for row in AIAG.strip().splitlines()])


def study_table(values: NDArray[np.float64], column: str) -> str:
    lines = [
        f"{i + 1},{'ABCDEFGH'[j]},{t + 1},{values[i, j, t]:.10g}"
        for i in range(values.shape[0])
        for j in range(values.shape[1])
        for t in range(values.shape[2])
    ]
    return "\n".join([f"part,operator,trial,{column}", *lines, ""])


TRUE_PER_K = -0.001  # -0.05 to -0.15 %/K: common practice, no source


def write_study(
    path: Path, seed: int, *, noise: float = 3e-4, warm: tuple[float, ...] = (2, 8, 15, 22), parts: int = 4
) -> None:
    rng = np.random.default_rng([11, seed])
    rows = [
        f"S{p},{t},{(128 + 3 * p) * np.exp(TRUE_PER_K * (t - 10) + noise * rng.standard_normal()):.6f}"
        for p in range(parts)
        for t in warm
    ]
    path.write_text("\n".join(["part,temperature_c,frequency_hz", *rows, ""]), encoding="utf-8")
