"""How often the interval of CPPopt holds the truth where the curve is no parabola.

Patients are those of `uncertainty.py`, with curves that are steeper on one side, shallow, flat
at the bottom, or met with plateau waves in all. "Covered" of a flat bottom: the interval meets
the flat part. Run it alone: `python tests/bench/asymmetry.py 200 24 48 72` (patients of each
kind; hours of each recording).
"""

import sys
import zlib
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import uncertainty

from icpcohort.indices import bootstrap, cppopt
from icpcohort.simulate import physiology


class Truth(NamedTuple):
    """A kind of curve: k below / k above, k itself, width of a flat bottom, plateau waves."""

    steeper_below: float = 1.0
    k_share: float = 1.0
    flat_mmhg: float = 0.0
    has_plateaus: bool = False


TRUTHS = {
    "as steep on both sides": Truth(),
    "2:1": Truth(2.0),
    "3:1": Truth(3.0),
    "4:1": Truth(4.0),
    "1:2": Truth(0.5),
    "shallow": Truth(k_share=0.2),
    "shallow 3:1": Truth(3.0, k_share=0.2),
    "flat over 15 mmHg": Truth(flat_mmhg=15.0),
    "flat over 15 mmHg, 3:1": Truth(3.0, flat_mmhg=15.0),
    "plateau waves": Truth(has_plateaus=True),
    "plateau waves, 3:1": Truth(3.0, has_plateaus=True),
}


class Judged(NamedTuple):
    """One patient: the parabola's error, and the asymmetric curve's with its interval."""

    parabola_error_mmhg: float
    error_mmhg: float
    covered: bool
    width_mmhg: float


def judge(truth: Truth, seed: int, *, hours: int) -> Judged | None:
    """Return what the interval says of a new patient; None where no CPPopt is accepted."""
    draw = np.random.default_rng([zlib.crc32(repr(truth).encode()), seed, hours])
    drawn = physiology.draw_physiology(
        draw,
        start_s=0.0,
        end_s=hours * 3600.0,
        n_unreactive_pupils=int(draw.integers(0, 3)),
        has_optimum=True,
        has_plateaus=truth.has_plateaus,
        craniectomy_s=None,
    )
    drawn = replace(
        drawn,
        steeper_below=truth.steeper_below,
        flat_mmhg=truth.flat_mmhg,
        k_per_mmhg2=truth.k_share * drawn.k_per_mmhg2,
    )
    recorded = uncertainty.record(draw, drawn, hours=hours)
    minutes = uncertainty.to_minutes(*recorded)[1]
    optimum = cppopt.for_recording(minutes, rules=uncertainty.CURVE).optimum
    if optimum["cppopt_mmhg"] is None:
        return None
    found = bootstrap.interval(
        minutes,
        settings=uncertainty.UNCERTAINTY,
        generator=np.random.default_rng([seed, 1]),
        rules=uncertainty.CURVE,
    )
    half_mmhg = truth.flat_mmhg / 2
    return Judged(
        optimum["cppopt_mmhg"] - drawn.cppopt_mmhg,
        found.lowest_mmhg - drawn.cppopt_mmhg,
        found.low - half_mmhg <= drawn.cppopt_mmhg <= found.high + half_mmhg,
        found.high - found.low,
    )


def main(n: int, lengths_h: list[int]) -> None:
    """Print a line for each kind and length."""
    for hours in lengths_h:
        for name, truth in TRUTHS.items():
            judged = [judge(truth, seed, hours=hours) for seed in range(n)]
            some = [one for one in judged if one is not None]
            given = np.array([one for one in some if np.isfinite(one.width_mmhg)])
            parabola, error, covered, width = given.T
            print(
                f"{hours} h, {name}: accepted {100 * len(some) / n:.0f} %, interval given in"
                f" {len(given)}; parabola's bias {parabola.mean():+.2f} mmHg, asymmetric"
                f" curve's {error.mean():+.2f} (SD {error.std():.2f}); interval covers"
                f" {100 * covered.mean():.1f} %, median width {np.median(width):.2f} mmHg",
                flush=True,
            )


if __name__ == "__main__":
    main(int(sys.argv[1]), [int(hours) for hours in sys.argv[2:]])
