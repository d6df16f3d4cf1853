"""Models against published plate charts and statistics of measured tubes (data/plate_curves/README.md)."""

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares

from analysis.tubes import load_tube
from analysis.tubes.equations import TriodeParameters, pentode_currents, triode_currents

FOLDER = Path(__file__).parent / "data" / "plate_curves"


def read(name, column="Ia_mA"):
    rows = list(csv.DictReader((FOLDER / name).read_text(encoding="utf-8").splitlines()))
    return (
        np.array([float(row["Va_V"]) for row in rows]),
        np.array([float(row["Vg_V"]) for row in rows]),
        np.array([float(row[column]) for row in rows]) * 1e-3,
    )


def as_triode(type_number):
    model = load_tube(type_number).sections[0].model

    def current(va, vg):
        if isinstance(model, TriodeParameters):
            return triode_currents(model, va, vg).ia
        both = pentode_currents(model, va, va, vg)
        return both.ia + both.ig2

    return current


def errors(predicted, published):
    """Rms in per cent: of full scale; relative above a tenth of that; relative from 1 to 10 % (NaN: no points)."""
    miss, share = predicted - published, published / published.max()
    high, low = share > 0.1, (share > 0.01) & (share <= 0.1)
    parts = (miss / published.max(), miss[high] / published[high], miss[low] / published[low])
    return tuple(100 * np.sqrt(np.mean(part**2)) if part.size else np.nan for part in parts)


def mean_error(predicted, published):
    """Mean of the relative error above a tenth of full scale, per cent."""
    high = published > 0.1 * published.max()
    return 100 * np.mean(predicted[high] / published[high] - 1.0)


def said(rms, relative, low):
    tail = "" if np.isnan(low) else f", {low:.0f} % from 1 to 10 % of full scale"
    return f"rms {rms:.2f} % of full scale, {relative:.1f} % relative{tail}"


@pytest.mark.parametrize(
    ("type_number", "file", "rms_limit", "mean_limit"),
    # What the two published points alone gave when this law was chosen, to the digits given there: ECC83 1.7 % and
    # a mean of +0.5 %, 12AX7A 1.2 %.
    [("ECC83", "ecc83_chart_vg0_vgm1.csv", 1.7, 0.5), ("12AX7A", "12ax7a_chart_points.csv", 1.2, 4.0)],
)
def test_constants_from_two_points_predict_a_whole_chart(type_number, file, rms_limit, mean_limit):
    va, vg, published = read(file)
    predicted = as_triode(type_number)(va, vg)
    rms, *rest = errors(predicted, published)
    mean = mean_error(predicted, published)
    print(f"{type_number} {file}: {said(rms, *rest)}, mean {mean:+.1f} %")
    assert round(rms, 1) <= rms_limit
    assert round(abs(mean), 1) <= mean_limit


def test_the_older_constants_miss_the_same_chart_as_they_did_when_the_law_was_chosen():
    """The error is the one meant: N. Koren's values of 1996 gave 11.5 % of full scale on these points."""
    va, vg, published = read("12ax7a_chart_points.csv")
    older = TriodeParameters(mu=100.0, ex=1.4, kg1=1060.0, kp=600.0, kvb=300.0, vct=0.0)
    rms, *rest = errors(triode_currents(older, va, vg).ia, published)
    print(f"12AX7 of 1996, 12ax7a_chart_points.csv: {said(rms, *rest)}")
    assert round(rms, 1) == 11.5


@pytest.mark.parametrize(
    ("type_number", "file", "column", "rms_limit", "relative_limit"),
    # Limits: form error of the law when it was chosen, on this chart (ECC83) and on single measured tubes (12
    # ECC88, 8 EL34), whose files carry no licence: here the median of 54 and 28 stands for them. Below a tenth of
    # full scale there is no limit: 0.02 mA of reading noise alone is 15 % of the ECC83's points there, and a median
    # of tubes that cut off one after the other has a longer tail than each of them.
    [
        ("ECC83", "ecc83_chart_vg0_vgm1.csv", "Ia_mA", 0.7, 1.9),
        ("ECC88", "ecc88_measured_spread.csv", "Ia_median_mA", 0.54, 2.1),
        ("EL34", "el34_triode_measured_spread.csv", "Ia_median_mA", 1.2, 4.2),
    ],
)
def test_the_law_can_take_the_shape_of_a_real_tube(type_number, file, column, rms_limit, relative_limit):
    va, vg, published = read(file, column)
    full = published.max()
    high = published > 0.1 * full

    def current(x):
        mu, kg1, kp, kvb = np.exp(x[:4])
        return triode_currents(TriodeParameters(mu=mu, kg1=kg1, kp=kp, kvb=kvb, ex=x[4], vct=x[5]), va, vg).ia

    def residuals(x):
        # Both errors that are judged. With that of full scale alone the middle of the chart does as it likes (ECC83
        # 2.2 % relative, EL34 5.9 %); it is about a third of the relative one, hence the factor.
        miss = current(x) - published
        relative = miss[high] / published[high]
        return np.concatenate([3.0 * miss / full / np.sqrt(miss.size), relative / np.sqrt(relative.size)])

    start = load_tube(type_number).sections[0].model
    x0 = [np.log(start.mu), np.log(start.kg1), np.log(5.0 * start.mu), np.log(300.0), 1.4, 0.4]
    fit = least_squares(residuals, x0, x_scale=0.1)
    rms, relative, low = errors(current(fit.x), published)
    print(f"{type_number} {file}, free constants: {said(rms, relative, low)}")
    assert rms <= rms_limit
    assert relative <= relative_limit


@pytest.mark.parametrize(
    ("type_number", "file", "least_share"),
    # The EL34 sheet prints a stronger tube than the measured ones: 100 mA at -13.5 V.
    [("ECC88", "ecc88_measured_spread.csv", 0.95), ("EL34", "el34_triode_measured_spread.csv", 0.70)],
)
def test_the_published_tube_lies_among_measured_ones(type_number, file, least_share):
    va, vg, median = read(file, "Ia_median_mA")
    low, high = read(file, "Ia_p10_mA")[2], read(file, "Ia_p90_mA")[2]
    predicted = as_triode(type_number)(va, vg)
    matters = median > 0.02 * median.max()
    inside = np.mean(((predicted >= low) & (predicted <= high))[matters])
    print(
        f"{type_number}: {inside:.0%} of {matters.sum()} cells within the 10 to 90 % band; against the median"
        f" {said(*errors(predicted, median))}, mean {mean_error(predicted, median):+.0f} %"
    )
    assert inside >= least_share
