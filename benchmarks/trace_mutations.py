"""Recorded traces spoilt at random, from a seed: the bytes of netCDF files, what such files say, and CSV files."""

from __future__ import annotations

import io
import random
import re
import struct
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.io import netcdf_file

from benchmarks import mutations

Values = NDArray[Any]
Change = Callable[[random.Random, "Contents"], None]
Mutation = Callable[[random.Random, bytes], bytes]

NUMBERS = (
    np.nan, np.inf, -np.inf, 0.0, -0.0, -1.0, 1.0, 1e-300, 5e-324, 1e-30, 1e20, 1e30, 9.9e29, 9.96921e36, 3.4e38, 1e154,
    1e300, 1e308, -1e308, 60.0, 1 / 60, 2147483647.0, -2147483648.0, 0.1,
)  # fmt: skip
TEXTS = (
    b"", b" ", b"N", b"Y", b"no", b"minutes", b"MIN", b"hours", b"seconds\0\0junk", b"\xff\xfe", b"caf\xe9", b"1.5",
    b"nan", b"\x1b[31m", b"\xe2\x80\xae", b"a\nb\nc\nd\ne\nf\ng", b"x" * 100_000, b"\0" * 50, b"[/bold]", b"%s",
)  # fmt: skip
# Those a reader looks at, and those its own variables are called by.
ATTRIBUTES = (
    "retention_unit", "detector_unit", "uniform_sampling_flag", "scale_factor", "add_offset", "missing_value",
    "_FillValue", "units", "fp", "variables", "dimensions", "_dims", "_recs", "_attributes", "data", "filename",
    "mode", "use_mmap", "version_byte", "_mm_buf", "maskandscale", "_typecode", "_size", "_shape", "close", "__class__",
)  # fmt: skip
VARIABLES = (
    "ordinate_values", "raw_data_retention", "actual_sampling_interval", "actual_delay_time", "peak_name",
    "actual_run_time_length", "peak_retention_time", "peak_width", "peak_area", "peak_height", "peak_asymmetry",
    "peak_start_time", "peak_end_time", "mass_values", "retention_unit", "uniform_sampling_flag",
)  # fmt: skip
CODES = {"b": 1, "S": 2, "h": 3, "i": 4, "f": 5, "d": 6}  # of the types of values in the format
LENGTHS = (
    0, 1, 2, 3, 7, 255, 65_536, 1 << 20, 1 << 24, 1 << 28, 0x7FFFFFFF, 0x7FFFFFFC, 0x80000000, 0xFFFFFFFF, 0xFFFFFFFE,
)  # fmt: skip


@dataclass
class Variable:
    """Of a netCDF file."""

    dimensions: tuple[str, ...]
    values: Values
    attributes: dict[str, Any]


@dataclass
class Contents:
    """What a netCDF file says: sizes of dimensions, global attributes, variables."""

    sizes: dict[str, int]
    attributes: dict[str, Any]
    variables: dict[str, Variable]


def contents_of(data: bytes) -> Contents:
    """The contents of a sound file."""
    file = netcdf_file(io.BytesIO(data), "r", mmap=False)
    variables = {
        name: Variable(each.dimensions, np.array(each.data), dict(each._attributes))
        for name, each in file.variables.items()
    }
    sizes = {name: 0 if size is None else size for name, size in file.dimensions.items()}
    return Contents(sizes, dict(file._attributes), variables)


def bytes_of(contents: Contents, version: int = 1) -> bytes:
    """A file with some contents in the classic format; what does not fit together is written all the same."""
    names = sorted(contents.sizes)
    head = b"CDF" + bytes([version]) + struct.pack(">I", 0)
    head += _list(10, [_padded(name.encode()) + struct.pack(">I", contents.sizes[name]) for name in names])
    head += _attributes(contents.attributes)
    place = ">I" if version == 1 else ">Q"
    written = []
    for name, each in contents.variables.items():
        letter = each.values.dtype.char if each.values.dtype.char in CODES else "S"
        values = each.values.astype(each.values.dtype.newbyteorder(">")).tobytes()
        values += b"\0" * (-len(values) % 4)
        along = [names.index(one) for one in each.dimensions if one in names]
        entry = _padded(name.encode()) + struct.pack(f">{1 + len(along)}I", len(along), *along)
        entry += _attributes(each.attributes) + struct.pack(">II", CODES[letter], len(values) % 2**32)
        written.append((entry, values))
    header = len(head) + 8 + sum(len(entry) + struct.calcsize(place) for entry, _ in written)
    entries, at = [], header
    for entry, values in written:
        entries.append(entry + struct.pack(place, at))
        at += len(values)
    return b"".join([head, _list(11, entries), *(values for _, values in written)])


def _list(tag: int, entries: list[bytes]) -> bytes:
    return struct.pack(">II", tag if entries else 0, len(entries)) + b"".join(entries)


def _padded(raw: bytes) -> bytes:
    return struct.pack(">I", len(raw)) + raw + b"\0" * (-len(raw) % 4)


def _attributes(attributes: Mapping[str, Any]) -> bytes:
    entries = []
    for name, value in attributes.items():
        if isinstance(value, bytes):
            entries.append(_padded(name.encode()) + struct.pack(">I", CODES["S"]) + _padded(value))
            continue
        values = np.atleast_1d(value)
        if values.dtype.char not in CODES:
            values = values.astype(float)
        raw = values.astype(values.dtype.newbyteorder(">")).tobytes()
        code = struct.pack(">II", CODES[values.dtype.char], values.size)
        entries.append(_padded(name.encode()) + code + raw + b"\0" * (-len(raw) % 4))
    return _list(12, entries)


def variable_dropped(rng: random.Random, contents: Contents) -> None:
    contents.variables.pop(rng.choice(sorted(contents.variables)))


def variable_renamed(rng: random.Random, contents: Contents) -> None:
    each = contents.variables.pop(rng.choice(sorted(contents.variables)))
    contents.variables[rng.choice((*VARIABLES, "", "x" * 5000, "caf\xe9", "a/b"))] = each


def variable_retyped(rng: random.Random, contents: Contents) -> None:
    each = _variable(rng, contents)
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if each.values.dtype.kind in "SUV":
            each.values = np.frombuffer(each.values.tobytes(), dtype=">i1").reshape(each.values.shape)
        each.values = each.values.astype(rng.choice((">i1", "S1", ">i2", ">i4", ">f4", ">f8")))


def variable_added(rng: random.Random, contents: Contents) -> None:
    """One that the reader knows, along a dimension of the file or with none."""
    along = rng.choice((*sorted(contents.sizes), None))
    shape = () if along is None else (min(contents.sizes[along], 100_000),)
    values = rng.choice(
        (
            np.full(shape, rng.choice(NUMBERS)),
            np.arange(shape[0] if shape else 1, dtype=float).reshape(shape) * rng.choice((0.1, 1.0, 1e6)),
            np.array([rng.gauss(0, 1) for _ in range(shape[0] if shape else 1)]).reshape(shape),
        )
    )
    name = rng.choice(VARIABLES)
    contents.variables[name] = Variable(() if along is None else (along,), values, {})
    if name == "raw_data_retention" and rng.random() < 0.7:
        contents.variables.pop("actual_sampling_interval", None)


def uneven_times(rng: random.Random, contents: Contents) -> None:
    """Times of every reading, as of a detector that does not sample evenly, right or wrong."""
    signal = contents.variables.get("ordinate_values")
    if signal is None or signal.values.ndim != 1 or not len(signal.values):
        return
    contents.variables.pop("actual_sampling_interval", None)
    steps = np.array([rng.choice((0.1, 0.2)) for _ in range(len(signal.values))])
    times = np.cumsum(steps)
    contents.variables["raw_data_retention"] = Variable(signal.dimensions, times, {})
    for _ in range(rng.choice((0, 1, 2, 5))):
        at = rng.randrange(len(times))
        times[at] = rng.choice((*NUMBERS, times[at - 1], -times[at], times[at] * 1000))
    if rng.random() < 0.3:
        times[rng.randrange(len(times)) :] += rng.choice((10.0, 1e4, 3e5, 1e7, 1e12, -50.0))


def values_replaced(rng: random.Random, contents: Contents) -> None:
    each = _numbers(rng, contents)
    if each.values.dtype.kind not in "iuf" or not each.values.size:
        return
    with np.errstate(all="ignore"):
        values = each.values.astype(">f8").reshape(-1)
    count = rng.choice((1, 1, 1, 2, 20, len(values)))
    with np.errstate(all="ignore"):
        values[[rng.randrange(len(values)) for _ in range(count)]] = rng.choice(NUMBERS)
    _put(each, values)


def values_scaled(rng: random.Random, contents: Contents) -> None:
    each = _numbers(rng, contents)
    if each.values.dtype.kind not in "iuf":
        return
    factor = rng.choice((-1, 0, 60, 1 / 60, 1000, 1e-3, 1e12, 1e-12, 1e25, 1e29, 1e-30, 1e-200, 1e200))
    with np.errstate(all="ignore"):
        _put(each, each.values.astype(">f8").reshape(-1) * factor + rng.choice((0, 0, 0, 1, -100, 1e15)))


def values_rearranged(rng: random.Random, contents: Contents) -> None:
    each = _numbers(rng, contents)
    values = each.values.reshape(-1)
    order = list(range(len(values)))
    how = rng.randrange(4)
    if how == 0:
        rng.shuffle(order)
        values = values[order]
    elif how == 1:
        values = values[::-1]
    elif how == 2 and values.dtype.kind in "iuf":
        values = np.sort(values)
    elif len(values):
        values = np.full(len(values), values[rng.randrange(len(values))])
    _put(each, values)


def values_coarse(rng: random.Random, contents: Contents) -> None:
    """Steps, a limit, or every other reading: what converters and compression make of a signal."""
    each = _numbers(rng, contents)
    if each.values.dtype.kind not in "iuf" or not each.values.size:
        return
    with np.errstate(all="ignore"):
        values = each.values.astype(">f8").reshape(-1)
        span = float(np.ptp(values)) or 1.0
        how = rng.randrange(3)
        if how == 0:
            step = span * rng.choice((1e-4, 0.01, 0.1, 0.5))
            values = np.round(values / step) * step
        elif how == 1:
            values = np.minimum(values, values.min() + span * rng.choice((1e-3, 0.1, 0.5)))
        else:
            values[:: rng.choice((2, 3, 10))] = values[0]
    _put(each, values)


def length_changed(rng: random.Random, contents: Contents) -> None:
    """A dimension with everything along it made longer or shorter."""
    if not contents.sizes:
        return
    name = rng.choice(sorted(contents.sizes))
    now = min(contents.sizes[name], 50_000)
    contents.sizes[name] = rng.choice((0, 1, 2, 3, 5, 19, 20, 21, 40, max(now - 1, 0), 2 * now))
    for each in contents.variables.values():
        if name in each.dimensions and each.values.ndim:
            each.values = _resized(each.values, [contents.sizes.get(d, 1) for d in each.dimensions])


def _resized(values: Values, shape: list[int]) -> Values:
    return np.resize(values, [min(size, 100_000) for size in shape])


def length_contradicted(rng: random.Random, contents: Contents) -> None:
    """A dimension of another size than what is along it."""
    if contents.sizes:
        contents.sizes[rng.choice(sorted(contents.sizes))] = rng.choice((1, 2, 100, 100_000, 0x7FFFFFFF))


def dimensions_changed(rng: random.Random, contents: Contents) -> None:
    """One more, none, or others for a variable."""
    each = _variable(rng, contents)
    one = rng.choice(sorted(contents.sizes) or [""])
    each.dimensions = rng.choice(((), (one,), (*each.dimensions, one), (one, *each.dimensions), (one,) * 5))
    if rng.random() < 0.5:
        shape = [min(contents.sizes.get(d, 1), 50) for d in each.dimensions][:2]
        contents.sizes |= dict(zip(each.dimensions, shape, strict=False))
        each.dimensions = each.dimensions[: len(shape)]
        each.values = _resized(each.values, shape)


def attribute_changed(rng: random.Random, contents: Contents) -> None:
    of = contents.attributes if rng.random() < 0.4 else _numbers(rng, contents).attributes
    name = rng.choice(sorted(of)) if of and rng.random() < 0.4 else rng.choice(ATTRIBUTES)
    if name in of and rng.random() < 0.2:
        del of[name]
        return
    of[name] = rng.choice((rng.choice(TEXTS), rng.choice(NUMBERS), np.array([rng.choice(NUMBERS)] * 2), 7))


def names_changed(rng: random.Random, contents: Contents) -> None:
    """What peaks are called."""
    each = contents.variables.get("peak_name")
    if each is None or each.values.ndim != 2 or not each.values.size:
        return
    rows, length = each.values.shape
    names = [row.tobytes().rstrip(b"\0") for row in each.values]
    for _ in range(rng.choice((1, 2, rows))):
        name = rng.choice(
            (*names, *TEXTS, b"a,b", b'"', b"=1+1", b"\xff" * length, b"\xc3" * 7, b"tol\0uene", b" x ")
        )
        names[rng.randrange(rows)] = name
    raw = b"".join(name[:length].ljust(length, rng.choice((b"\0", b"\0", b" "))) for name in names)
    each.values = np.frombuffer(raw, dtype="S1").reshape(rows, length)


CHANGES: tuple[Change, ...] = (
    variable_dropped, variable_renamed, variable_retyped, variable_added, uneven_times, values_replaced, values_scaled,
    values_rearranged, values_coarse, length_changed, length_contradicted, dimensions_changed, attribute_changed,
    names_changed,
)  # fmt: skip
# What is most likely to be read as a run comes more often.
CHANGE_WEIGHTS = tuple(
    4.0 if each in (values_replaced, values_scaled, attribute_changed, uneven_times, values_coarse) else 1.0
    for each in CHANGES
)


def _variable(rng: random.Random, contents: Contents) -> Variable:
    return contents.variables[rng.choice(sorted(contents.variables))]


def _numbers(rng: random.Random, contents: Contents) -> Variable:
    """A variable that the reader looks at, if there is any."""
    known = [name for name in VARIABLES if name in contents.variables]
    if not known or rng.random() < 0.1:
        return _variable(rng, contents)
    name = "ordinate_values" if "ordinate_values" in known and rng.random() < 0.4 else rng.choice(known)
    return contents.variables[name]


def _put(variable: Variable, values: Values) -> None:
    """Values into a variable, in its own type where they are numbers of another."""
    kind = variable.values.dtype
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        variable.values = values.reshape(variable.values.shape).astype(kind)


def contents_changed(rng: random.Random, data: bytes) -> bytes:
    """The file rewritten with one to three changes of what it says."""
    contents = contents_of(data)
    for _ in range(rng.choice((1, 1, 2, 3))):
        if contents.variables:
            rng.choices(CHANGES, CHANGE_WEIGHTS)[0](rng, contents)
    return bytes_of(contents, rng.choice((1, 1, 1, 2)))


def header_flip(rng: random.Random, data: bytes) -> bytes:
    """A bit of the part that says what stands where."""
    at = rng.randrange(min(_header(data), len(data)))
    return data[:at] + bytes([data[at] ^ (1 << rng.randrange(8))]) + data[at + 1 :]


def header_number(rng: random.Random, data: bytes) -> bytes:
    """One of its numbers (a length, a count, a place), often enormous."""
    at = 4 * rng.randrange(max(min(_header(data), len(data)) // 4, 1))
    return data[:at] + struct.pack(">I", rng.choice(LENGTHS)) + data[at + 4 :]


def length_announced(rng: random.Random, data: bytes) -> bytes:
    """The length of a dimension, however much follows."""
    at = data.find(b"point_number")
    if at < 0:
        return header_number(rng, data)
    return data[: at + 12] + struct.pack(">I", rng.choice(LENGTHS)) + data[at + 16 :]


def name_in_header(rng: random.Random, data: bytes) -> bytes:
    """A name replaced by another of the same length."""
    words = list(re.finditer(rb"[a-z_]{4,}", data[: _header(data)]))
    if not words:
        return data
    one = rng.choice(words)
    other = rng.choice((b"fp", b"variables", b"_attributes", b"data", b"\xff\xfe", b"\x1b[31m"))
    return data[: one.start()] + other[: len(one[0])].ljust(len(one[0]), b"\0") + data[one.end() :]


def version_byte(rng: random.Random, data: bytes) -> bytes:
    return data[:3] + bytes([rng.choice((0, 1, 2, 3, 5, 255))]) + data[4:]


def appended(rng: random.Random, data: bytes) -> bytes:
    return data + rng.choice((data, b"\0" * 5000, rng.randbytes(300)))


def cut_out(rng: random.Random, data: bytes) -> bytes:
    at = rng.randrange(len(data))
    return data[:at] + data[at + rng.choice((1, 2, 3, 4, 100)) :]


def other_kind(rng: random.Random, data: bytes) -> bytes:
    """Something else under the name of a trace."""
    return rng.choice((b"\x89HDF\r\n\x1a\n" + data[8:], b"PK\x03\x04" + data, b"SQLite format 3\0" + data,
                       b"time_min,signal\n1,2\n", b"CDF", b"CDF\x01", b"CDF\x01" + b"\0" * 28,
                       b"\xef\xbb\xbf" + data, b"\r\n" + data, data.replace(b"\n", b"\r\n")))  # fmt: skip


NETCDF: tuple[Mutation, ...] = (
    contents_changed, header_flip, header_number, length_announced, name_in_header, version_byte, appended, cut_out,
    other_kind, mutations.byte_flip, mutations.byte_put, mutations.truncation, mutations.nul, mutations.empty,
)  # fmt: skip
NETCDF_WEIGHTS = tuple(
    40.0 if each is contents_changed else 2.0 if each in (header_flip, header_number) else 0.5
    for each in NETCDF
)


def _header(data: bytes) -> int:
    """About where the values begin: after the last name."""
    names = [data.rfind(name.encode()) for name in VARIABLES]
    return max(max(names) + 80, 100)


def rows_rearranged(rng: random.Random, data: bytes) -> bytes:
    head, rows = _rows(data)
    how = rng.randrange(4)
    if how == 0:
        rng.shuffle(rows)
    elif how == 1:
        rows.reverse()
    elif how == 2:
        at = rng.randrange(len(rows) + 1)
        rows = rows[at:] + rows[:at]
    else:
        rows = rows * 2
    return b"\n".join([head, *rows]) + b"\n"


def column_changed(rng: random.Random, data: bytes) -> bytes:
    """All times or all readings by a factor, shifted, rounded, limited or made one."""
    head, rows = _rows(data)
    cells = [row.split(b",") for row in rows]
    column = rng.randrange(2)
    how, factor = rng.randrange(5), rng.choice((60, 1 / 60, 1e-9, 1e9, -1, 1e28, 1e-300, 1e250))
    for row in cells:
        try:
            value = float(row[column])
        except (ValueError, IndexError):
            continue
        digits = (0, 1, 2)[int(abs(factor)) % 3]
        changed = (value * factor, value + factor, round(value, digits), min(value, 1.0), factor)[how]
        row[column] = f"{changed:.8g}".encode()
    return b"\n".join([head, *map(b",".join, cells)]) + b"\n"


def times_leap(rng: random.Random, data: bytes) -> bytes:
    """From some row on, all times later, by little or much; or a few rows kept out."""
    head, rows = _rows(data)
    if len(rows) < 2:
        return data
    at = rng.randrange(len(rows))
    if rng.random() < 0.3:
        del rows[at : at + rng.choice((1, 10, 1000))]
        return b"\n".join([head, *rows]) + b"\n"
    by = rng.choice((0.001, 1.0, 100.0, 1e4, 1e6, 1e9, 1e300, -1.0))
    for number in range(at, len(rows)):
        cells = rows[number].split(b",")
        with_number = re.fullmatch(rb"-?\d+(\.\d*)?", cells[0])
        rows[number] = b",".join(
            [f"{float(cells[0]) + by:.8g}".encode() if with_number else cells[0], *cells[1:]]
        )
    return b"\n".join([head, *rows]) + b"\n"


def cells_replaced(rng: random.Random, data: bytes) -> bytes:
    """Cells that are no number, or one beyond all others."""
    head, rows = _rows(data)
    if not rows:
        return data
    for _ in range(rng.choice((1, 1, 3, 100))):
        at, column = rng.randrange(len(rows)), rng.randrange(2)
        cells = rows[at].split(b",")
        if len(cells) > column:
            cells[column] = rng.choice(
                (*mutations.NUMBERS, *(repr(float(each)).encode() for each in NUMBERS))
            )
        rows[at] = b",".join(cells)
    return b"\n".join([head, *rows]) + b"\n"


def heading(rng: random.Random, data: bytes) -> bytes:
    _, rows = _rows(data)
    return b"\n".join([rng.choice((b"time_s,signal", b"signal,time_min", b"time_min,time_s,signal", b"time_min",
                                   b"signal", b"Time_Min;Signal", b"time_min,signal,", b"time_min,signal,signal",
                                   b"compound,retention_min", b"", b"time_min\tsignal", b"sep=,\ntime_min,signal",
                                   b"\x1b[31m,time_min,signal", b"signal," * 5000)), *rows])  # fmt: skip


def _rows(data: bytes) -> tuple[bytes, list[bytes]]:
    head, *rows = data.split(b"\n")
    return head, [row for row in rows if row]


CSV: tuple[Mutation, ...] = (
    rows_rearranged, column_changed, times_leap, cells_replaced, heading, *mutations.MUTATIONS,
)  # fmt: skip
CSV_WEIGHTS = (6.0, 12.0, 8.0, 8.0, 3.0, *mutations.WEIGHTS)


def mutated_traces(rng: random.Random, files: Mapping[str, bytes]) -> tuple[dict[str, bytes], list[str]]:
    """The traces among some files with one to four changes, and what was done to which."""
    out, done = dict(files), []
    traces = sorted(name for name in out if name != "scenario.toml")
    for _ in range(rng.choice((1, 1, 1, 1, 2, 3, 4))):
        name = rng.choice(traces)
        choice = (NETCDF, NETCDF_WEIGHTS) if name.endswith(".cdf") else (CSV, CSV_WEIGHTS)
        change = rng.choices(*choice)[0]
        if change is contents_changed and out[name] is not files[name]:
            change = header_number  # only a sound file can be rewritten
        data = out[name]
        out[name] = change(rng, data) if data else rng.randbytes(3)
        done.append(f"{change.__name__} of {name}")
    return out, done
