"""Fits to published points: known constants come back, the shipped ones are reproduced."""

import dataclasses

import numpy as np
import pytest

from acquisition.errors import ConfigError, FitFailed, StoreError
from analysis.tubes import Point, load_tube, tube_names
from analysis.tubes.equations import RectifierParameters, TriodeParameters, triode_currents
from analysis.tubes.fit import fit_rectifier, fit_triode, point_error
from analysis.tubes.refit import refit_tube, write_model

FITTED = [name for name in tube_names() if any(point.fitted for point in load_tube(name).points)]
# Constants that a few points hardly fix (kp, kvb) may move a little with the optimiser's version.
LOOSE = {"kp": 1e-3, "kvb": 5e-3}


@pytest.mark.parametrize("name", FITTED)
def test_shipped_constants_are_the_fit(name):
    results = refit_tube(name)
    for result, section in zip(results, load_tube(name).unlike_sections, strict=True):
        for key, value in result.constants.items():
            assert value == pytest.approx(getattr(section.model, key), rel=LOOSE.get(key, 3e-4)), key


def test_constants_come_back_from_made_up_points():
    true = TriodeParameters(mu=40.0, ex=1.4, kg1=1200.0, kp=240.0, kvb=300.0, vct=0.4)
    points = []
    for va, vg in [(250.0, -4.0), (100.0, -1.0), (250.0, -7.0), (150.0, -2.0), (300.0, -6.0)]:
        now = triode_currents(true, va, vg)
        points.append(
            Point(connection="triode", plate_v=va, grid_v=vg, plate_a=float(now.ia), gm_s=float(now.d_ia_dvg),
                  rp_ohm=float(1.0 / now.d_ia_dva))
        )  # fmt: skip
    found = fit_triode(points, 40.0)
    for key in ("mu", "ex", "kg1", "kp", "kvb", "vct"):
        assert getattr(found, key) == pytest.approx(getattr(true, key), rel=1e-3), key


def test_rectifier_constant_is_the_mean_of_logarithms():
    points = [Point(connection="rectifier", plate_v=4.0, plate_a=k * 8.0) for k in (1e-3, 4e-3)]
    assert fit_rectifier(points).perveance == pytest.approx(2e-3)
    with pytest.raises(FitFailed):
        fit_rectifier([])
    with pytest.raises(FitFailed):
        fit_triode([], 20.0)


def test_point_error_of_a_rectifier():
    error = point_error(
        RectifierParameters(perveance=1e-3), Point(connection="rectifier", plate_v=4.0, plate_a=0.01)
    )
    assert error.relative == {"plate_a": pytest.approx(-0.2)}


def test_point_error_of_a_triode_connection():
    model = load_tube("6SJ7").section("").model
    point = next(p for p in load_tube("6SJ7").points if p.connection == "triode-connected")
    error = point_error(model, point)
    # gm times rp is the amplification factor of the connection, printed as 19.
    assert error.model["gm_s"] * error.model["rp_ohm"] == pytest.approx(19.0, rel=0.05)


def test_a_bias_resistor_gives_the_grid_voltage():
    point = Point(connection="pentode", plate_v=250.0, cathode_ohm=100.0, plate_a=7.6e-3, screen_a=3e-3)
    assert point.bias_v == pytest.approx(-1.06)
    with pytest.raises(ValueError, match="cathode_ohm"):
        _ = Point(connection="triode", plate_v=250.0).bias_v


def test_writing_changes_the_model_entry_and_nothing_else(tmp_path, monkeypatch):
    folder = tmp_path / "tubes"
    folder.mkdir()
    shipped = load_tube("12AU7").path
    with open(shipped, encoding="utf-8") as file:
        original = file.read()
    path = folder / "12AU7.yaml"
    path.write_text(original.replace("mu: 21.19", "mu: 25"), encoding="utf-8")
    monkeypatch.setenv("STAGEWALK_CONFIGS", str(tmp_path))
    (result,) = refit_tube("12AU7")
    assert not result.is_shipped
    write_model(result)
    assert path.read_text(encoding="utf-8") == original
    assert refit_tube("12AU7")[0].is_shipped
    assert [each.name for each in folder.iterdir()] == ["12AU7.yaml"]


def test_a_place_that_cannot_be_written_is_said(tmp_path):
    (result,) = refit_tube("EL84")
    with pytest.raises(StoreError, match="cannot be written") as caught:
        write_model(dataclasses.replace(result, path=file_where_a_folder_should_be(tmp_path, result)))
    assert "own folder" in caught.value.hint


def file_where_a_folder_should_be(tmp_path, result):
    target = tmp_path / "EL84.yaml"
    target.write_text(result.path.read_text(encoding="utf-8"), encoding="utf-8")
    (tmp_path / "EL84.yaml.new").mkdir()
    return target


def test_a_file_without_a_model_gets_one(tmp_path, monkeypatch):
    folder = tmp_path / "tubes"
    folder.mkdir()
    with open(load_tube("EL84").path, encoding="utf-8") as file:
        text = file.read()
    start, end = text.index("model:"), text.index("fit:")
    (folder / "EL84.yaml").write_text(text[:start] + text[end:], encoding="utf-8")
    monkeypatch.setenv("STAGEWALK_CONFIGS", str(tmp_path))
    assert load_tube("EL84").section("").model is None
    write_model(refit_tube("EL84")[0])
    assert (folder / "EL84.yaml").read_text(encoding="utf-8") == text


def test_a_type_without_fit_says_what_to_add():
    with pytest.raises(ConfigError, match="nothing to fit") as caught:
        refit_tube("6BE6")
    assert "points" in caught.value.hint


def test_every_model_is_alive_in_the_middle_of_its_range():
    for name in FITTED:
        for section in load_tube(name).unlike_sections:
            for point in (point for point in section.points if point.fitted):
                error = point_error(section.model, point)
                assert np.isfinite(list(error.model.values())).all()
                assert min(error.model.values()) > 0
