"""Recorded traces from files: in other units, scaled, with and without peak tables, broken."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pytest
from scipy.io import netcdf_file

from benchmarks.trace_mutations import bytes_of, contents_of
from optimizer.base.errors import ScenarioError
from optimizer.runs.detection import PeakDetection
from optimizer.runs.peak_tables import PeakTable
from optimizer.runs.run_files import read_run
from optimizer.runs.trace_files import read_trace
from optimizer.runs.trace_peaks import pick
from tests.optimizer.recorded import INTERVAL, Recording, Written, recorded, write_csv, write_e1947

REAL = Path(__file__).parents[2] / "data" / "liquid_chromatograph.cdf"
NAMES = ("alpha", "beta", "gamma", "delta")
PEAKS = PeakTable(
    NAMES,
    np.array([121.3, 188.8, 204.4, 402.9]),
    np.array([2.5, 3.0, 3.1, 4.2]),
    np.array([900.0, 300.0, 2500.0, 120.0]),
    np.array([1.0, 1.2, 1.1, 1.4]),
)


@pytest.fixture(scope="module")
def run() -> Recording:
    """Four peaks; the smallest has a signal-to-noise of 1000."""
    return recorded(PEAKS, noise=120 * 0.9394 / 4.2 / 3000)


def check_found(peaks: PeakTable) -> None:
    """The simulated peaks, without names."""
    assert peaks.compounds == ()
    np.testing.assert_allclose(peaks.retention, PEAKS.retention, atol=INTERVAL / 10)
    np.testing.assert_allclose(peaks.width_half, PEAKS.width_half, rtol=0.02)
    np.testing.assert_allclose(peaks.area, PEAKS.area, rtol=0.015)
    np.testing.assert_allclose(peaks.tailing, PEAKS.tailing, rtol=0.05)


@pytest.mark.parametrize(
    "how",
    [
        Written(),
        Written(unit="minutes"),
        Written(unit="Min."),
        Written(unit="Time in seconds"),
        Written(unit=None),
        Written(change={"actual_run_time_length": None, "actual_delay_time": None}),
        Written(listed=True, change={"peak_retention_time": np.full(4, 9.96921e36)}),
    ],
    ids=["seconds", "minutes", "Min.", "time in seconds", "no unit", "bare", "peak table never filled"],
)
def test_peaks_are_found_whatever_the_unit_of_time(how: Written, run: Recording, tmp_path: Path) -> None:
    check_found(read_run(write_e1947(tmp_path / "run.cdf", run, how)))


@pytest.mark.parametrize("heading", ["time_min", "time_s"])
def test_a_csv_of_time_and_signal(heading: str, run: Recording, tmp_path: Path) -> None:
    file = write_csv(tmp_path / "run.csv", run, heading)
    check_found(read_run(file))
    comma = tmp_path / "comma.csv"
    comma.write_text("\ufeff" + file.read_text().replace(",", ";").replace(".", ",").replace("\n", "\r\n"))
    check_found(read_run(comma))


def test_rounded_times_are_an_even_grid_and_uneven_ones_are_interpolated(
    run: Recording, tmp_path: Path
) -> None:
    lines = [f"{round(t / 60, 3)},{y:.5f}" for t, y in zip(run.times, run.signal, strict=True)]
    file = tmp_path / "rounded.csv"
    file.write_text("time_min,signal\n" + "\n".join(lines))
    check_found(read_run(file))
    step = np.where(np.arange(len(run.times)) % 900 < 450, 1, 2)
    kept = np.unique(np.cumsum(step))
    kept = kept[kept < len(run.times)]
    times, clean = run.times[kept], recorded(PEAKS).signal[kept]
    file.write_text(
        "time_s,signal\n" + "\n".join(f"{t:.3f},{y:.6f}" for t, y in zip(times, clean, strict=True))
    )
    peaks = read_run(file)
    np.testing.assert_allclose(peaks.retention, PEAKS.retention, atol=INTERVAL)
    np.testing.assert_allclose(peaks.area, PEAKS.area, rtol=0.01)


def test_readings_stored_as_scaled_integers(run: Recording, tmp_path: Path) -> None:
    scale = (float(np.ptp(run.signal)) / 60000, float(np.ptp(run.signal) / 2))
    file = write_e1947(tmp_path / "run.cdf", run, Written(scale=scale))
    trace = read_trace(file)
    np.testing.assert_allclose(trace.signal, run.signal, atol=0.51 * scale[0])
    assert trace.unit == "pA"


def test_a_delay_moves_all_times(run: Recording, tmp_path: Path) -> None:
    late = Recording(run.times + 30.0, run.signal, PEAKS)
    peaks = read_run(write_e1947(tmp_path / "run.cdf", late, Written(unit="minutes")))
    np.testing.assert_allclose(peaks.retention, PEAKS.retention + 30.0, atol=INTERVAL / 10)


def test_times_of_readings_that_are_not_evenly_spaced(run: Recording, tmp_path: Path) -> None:
    file = tmp_path / "run.cdf"
    write_e1947(
        file, run, Written(change={"raw_data_retention": run.times, "actual_sampling_interval": None})
    )
    np.testing.assert_allclose(read_trace(file).times, run.times, atol=1e-3)
    check_found(read_run(file))


@pytest.mark.parametrize("unit", ["seconds", "minutes"])
@pytest.mark.parametrize("factor", [1.0, 1.699])
def test_the_peak_table_of_a_file_comes_first(
    unit: str, factor: float, run: Recording, tmp_path: Path
) -> None:
    """Names, times and areas are the file's; widths and tailing are measured, whatever the file's widths are."""
    moved = PeakTable(NAMES, PEAKS.retention + 0.3, PEAKS.width_half, 2 * PEAKS.area, PEAKS.tailing)
    how = Written(unit=unit, listed=True, names=NAMES, width_factor=factor)
    peaks = read_run(write_e1947(tmp_path / "run.cdf", Recording(run.times, run.signal, moved), how))
    assert peaks.compounds == NAMES
    np.testing.assert_allclose(peaks.retention, moved.retention, rtol=1e-6)
    np.testing.assert_allclose(peaks.area, moved.area, rtol=1e-6)
    np.testing.assert_allclose(peaks.width_half, PEAKS.width_half, rtol=0.02)
    np.testing.assert_allclose(peaks.tailing, PEAKS.tailing, rtol=0.05)
    assert peaks.notes == ()


def test_peaks_without_a_name_among_named_ones_are_left_out(run: Recording, tmp_path: Path) -> None:
    how = Written(listed=True, names=("alpha", "", "gamma", " "))
    peaks = read_run(write_e1947(tmp_path / "run.cdf", run, how))
    assert peaks.compounds == ("alpha", "gamma")
    np.testing.assert_allclose(peaks.retention, PEAKS.retention[[0, 2]], rtol=1e-6)
    assert "2 of 4 peaks have no name in the file; left out" in peaks.notes[0]


def test_a_listed_peak_that_is_no_apex_of_the_trace_is_kept_and_told(run: Recording, tmp_path: Path) -> None:
    more = PeakTable(
        (*NAMES, "ghost"),
        np.append(PEAKS.retention, 300.0),
        np.append(PEAKS.width_half, 3.0),
        np.append(PEAKS.area, 5.0),
        np.append(PEAKS.tailing, 1.0),
    )
    peaks = read_run(
        write_e1947(
            tmp_path / "run.cdf",
            Recording(run.times, run.signal, more),
            Written(listed=True, names=more.compounds),
        )
    )
    assert "1 are no peaks of their own in its trace (at 5.000 min)" in peaks.notes[0]
    ghost = peaks.compounds.index("ghost")
    assert np.isnan(peaks.tailing[ghost])
    assert peaks.width_half[ghost] == pytest.approx(
        3.0
    )  # the file's, which the others show to be at half height


@pytest.mark.parametrize(("factor", "used"), [(1.0, True), (1.699, False)])
def test_a_peak_table_without_a_trace(factor: float, used: bool, run: Recording, tmp_path: Path) -> None:
    """Widths are used only if with height and area they can be those at half height."""
    how = Written(listed=True, names=NAMES, trace=False, width_factor=factor)
    peaks = read_run(write_e1947(tmp_path / "run.cdf", run, how))
    assert peaks.compounds == NAMES
    np.testing.assert_allclose(peaks.area, PEAKS.area, rtol=1e-6)
    assert np.isfinite(peaks.width_half).all() == used
    assert bool(peaks.notes) != used


def test_a_file_from_a_real_instrument() -> None:
    """tests/data/README.md says where it is from; its own table is the outside value."""
    listed = read_run(REAL)
    assert listed.compounds == ()
    table = netcdf_file(str(REAL), "r", mmap=False).variables
    retention, area, height, width = (
        table[f"peak_{name}"].data.astype(float) for name in ("retention_time", "area", "height", "width")
    )
    np.testing.assert_allclose(listed.retention, retention)
    np.testing.assert_allclose(listed.area, area)
    picked = pick(read_trace(REAL), REAL, PeakDetection(from_trace=True))
    assert picked.trace.unit == "mAU"
    assert len(picked.retention) == 8
    assert picked.search is not None
    # The second and sixth are small and on a wandering baseline, the fourth and fifth fused.
    clear = [0, 2, 3, 4, 6, 7]
    np.testing.assert_allclose(picked.retention[clear], retention[clear], atol=0.8)
    np.testing.assert_allclose(picked.area[clear], area[clear], rtol=0.05)
    np.testing.assert_allclose(picked.search.peaks.height[clear], height[clear], rtol=0.02)
    np.testing.assert_allclose(picked.area, area, rtol=0.08)
    np.testing.assert_allclose(picked.width_half[[0, 5, 6, 7]], width[[0, 5, 6, 7]], rtol=0.05)


def spoilt(kind: str, folder: Path, run: Recording) -> Path:
    """A file that cannot be used."""
    file = folder / "run.cdf"
    changes = {
        "nan": {"ordinate_values": np.where(np.arange(len(run.times)) == 99, np.nan, run.signal)},
        "filled": {"ordinate_values": np.where(run.times > 300, 9.96921e36, run.signal)},
        "no interval": {"actual_sampling_interval": None},
        "interval of nothing": {"actual_sampling_interval": 0.0},
        "sixtyfold": {"actual_run_time_length": (run.times[-1]) / 60},
    }
    if kind in changes:
        return write_e1947(file, run, Written(change=changes[kind]))
    if kind == "named twice":
        return write_e1947(file, run, Written(listed=True, names=("a", "b", "a", "c")))
    if kind == "peaks beyond":
        late = PeakTable((), 60 * PEAKS.retention, PEAKS.width_half, PEAKS.area, PEAKS.tailing)
        return write_e1947(file, Recording(run.times, run.signal, late), Written(listed=True))
    if kind == "other unit":
        return write_e1947(file, run, Written(unit="hours"))
    if kind == "table of readings":
        write_e1947(file, run, Written(change={"ordinate_values": None}))
        with netcdf_file(str(file), "a") as opened:
            opened.createDimension("channels", 2)
            variable = opened.createVariable("ordinate_values", "f", ("point_number", "channels"))
            variable[:] = np.column_stack([run.signal, run.signal])
        return file
    if kind == "few readings":
        return write_e1947(file, Recording(run.times[:7], run.signal[:7], PEAKS))
    if kind == "flat":
        return write_e1947(file, Recording(run.times, np.full(len(run.times), 3.0), PEAKS))
    if kind == "uneven without times":
        write_e1947(file, run)
        raw = file.read_bytes()
        with netcdf_file(str(file), "a") as opened:
            opened.variables["ordinate_values"].uniform_sampling_flag = "N"
        assert raw != file.read_bytes()
        return file
    if kind in ("other netcdf", "mass spectra", "nothing in it"):
        with netcdf_file(str(file), "w") as opened:
            opened.createDimension("n", 30)
            name = {"mass spectra": "mass_values", "nothing in it": "peak_retention_time"}.get(kind, "depth")
            opened.createVariable(name, "f", ("n",))[:] = 9.96921e36
        return file
    good = write_e1947(file, run).read_bytes()
    file.write_bytes(
        {
            "cut short": good[: len(good) // 2],
            "cut in its header": good[:100],
            "empty": b"",
            "hdf5": b"\x89HDF\r\n\x1a\n" + bytes(100),
            "64-bit data": b"CDF\x05" + good[4:],
            "text": b"no trace\n",
        }[kind]
    )
    return file


@pytest.mark.parametrize(
    ("kind", "fragment"),
    [
        ("nan", "reading 100 of "),
        ("filled", "is no number, nor are"),
        ("no interval", "actual_sampling_interval is missing"),
        ("interval of nothing", "actual_sampling_interval = 0"),
        ("sixtyfold", "contradict each other by a factor of 60"),
        ("named twice", "names 2 peaks 'a'"),
        ("peaks beyond", "but the readings end at"),
        ("other unit", 'retention_unit = "hours"'),
        ("table of readings", "x 2 numbers; expected one row"),
        ("few readings", "holds 7 readings; expected at least 20"),
        ("flat", "no peak stands out"),
        ("uneven without times", "holds no raw_data_retention"),
        ("other netcdf", "neither ordinate_values nor peak_retention_time"),
        ("mass spectra", "mass-spectrometry template"),
        ("nothing in it", "no readings and no peaks"),
        ("cut short", "cut short or damaged"),
        ("cut in its header", "cut short or damaged"),
        ("empty", "is empty"),
        ("hdf5", "netCDF-4 (HDF5)"),
        ("64-bit data", "a kind of netCDF that is not read"),
        ("text", "is no netCDF file though it is named .cdf"),
    ],
)
def test_a_file_that_cannot_be_used_gives_one_clear_message(
    kind: str, fragment: str, run: Recording, tmp_path: Path
) -> None:
    file = spoilt(kind, tmp_path, run)
    with pytest.raises(ScenarioError) as caught:
        read_run(file)
    assert len(caught.value.problems) == 1
    assert caught.value.problems[0].startswith(str(file))
    assert fragment in str(caught.value)


@pytest.mark.parametrize(
    ("text", "fragment"),
    [
        ("time_min,signal\n", "holds 0 readings"),
        ("time_min,signal\n1,2\n2,x\n", "line 3: '2,x': expected a number"),
        ("time_min,signal\n1,2\n2,nan\n", "reading 2 of 2 is no number"),
        ("time_min,signal\n1,2\n1,5,7,2\n", "a decimal comma needs semicolons"),
        ("time_min,time_s,signal\n", "expected one column time_min or time_s"),
        ("minutes,signal\n1,2\n", "unknown column 'minutes'"),
        ("time_min\n1\n", "expected one column time_min or time_s, and one column signal"),
        ("time_s,signal\n" + "".join(f"{n},1\n" for n in range(30, 0, -1)), "time goes back at reading 2"),
        (
            "time_s,signal\n" + "".join(f"{n // 4},1\n" for n in range(40)),
            "export the times with more digits",
        ),
        ("time_s,signal\n" + "".join(f"{n},1\n" for n in (*range(30), 10**6)), "are they all of one run?"),
        ("time_s,signal\n" + "".join(f"{n},1\n" for n in (*range(30), 10**9)), "is the unit of time right?"),
        ("time_s,signal\n" + "".join(f"{n},1e31\n" for n in range(30)), "beyond 1e30"),
        ("time_min,signal\n" + "".join(f"{n}e307,1\n" for n in range(30)), "a time is no number"),
        ("time_s,signal\n" + "".join(f"{n}e6,1\n" for n in range(30)), "expected at most 1e+07 s"),
        ("time_s,signal\n" + "".join(f"{n}e-6,1\n" for n in range(30)), "readings are 1e-06 s apart"),
    ],
)
def test_a_csv_that_cannot_be_used(text: str, fragment: str, tmp_path: Path) -> None:
    file = tmp_path / "run.csv"
    file.write_text(text)
    with pytest.raises(ScenarioError) as caught:
        read_run(file)
    assert fragment in str(caught.value)
    assert len(caught.value.problems) == 1


def test_damaged_files_never_end_in_a_traceback(tmp_path: Path) -> None:
    short = recorded(PEAKS, end=430.0)
    good = write_e1947(tmp_path / "good.cdf", short, Written(listed=True, names=NAMES)).read_bytes()
    random = np.random.default_rng(7)
    file = tmp_path / "run.cdf"
    refused = 0
    header = good.index(b"ordinate_values") + 200
    for trial in range(400):
        raw = bytearray(good)
        if trial % 4 == 0:
            raw = raw[: random.integers(0, header)]
        for at in random.integers(0, header if trial % 2 else len(raw) or 1, 1 + trial % 5):
            if at < len(raw):
                raw[at] = random.integers(0, 256)
        file.write_bytes(bytes(raw))
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            told = ""
            try:
                read_run(file)
            except ScenarioError as error:
                told = str(error)
        assert not told or told.startswith(str(file))
        refused += bool(told)
    assert 150 < refused < 400


def test_a_file_beyond_all_bounds_is_not_read(tmp_path: Path) -> None:
    file = tmp_path / "run.cdf"
    with file.open("wb") as made:
        made.write(b"CDF\x01")
        made.truncate(10**12)  # takes no room: nothing is written
    with pytest.raises(ScenarioError, match=r"run\.cdf: is longer than 200 MB"):
        read_run(file)


def test_a_file_cannot_change_its_reader(run: Recording, tmp_path: Path) -> None:
    """Attributes named like parts of a reader are attributes."""
    odd = {"fp": "x", "variables": "y", "_attributes": "z", "close": "w"}
    check_found(read_run(write_e1947(tmp_path / "run.cdf", run, Written(attributes={}))))
    plain = (tmp_path / "run.cdf").read_bytes()
    contents = contents_of(plain)
    contents.attributes |= {key: value.encode() for key, value in odd.items()}
    contents.variables["ordinate_values"].attributes |= {"data": b"none", "_attributes": b"none"}
    (tmp_path / "odd.cdf").write_bytes(bytes_of(contents))
    check_found(read_run(tmp_path / "odd.cdf"))
