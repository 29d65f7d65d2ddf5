"""Files of the netCDF classic format and its 64-bit offset variant, as far as traces need them.

The format is that of the Unidata specification (OGC 10-092r3): a header of big-endian numbers says what dimensions,
attributes and variables there are and where values begin. Nothing is copied, and nothing is set aside for lengths that
a header announces: what it announces beyond the end of the file is a damaged file.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

MAGIC = (b"CDF\x01", b"CDF\x02")
STREAMING = 0xFFFFFFFF  # records of a file whose writer did not know their number
DIMENSIONS, VARIABLES, ATTRIBUTES = 10, 11, 12
TYPES = {1: ">i1", 2: "S1", 3: ">i2", 4: ">i4", 5: ">f4", 6: ">f8"}
CHARACTERS = 2
MOST_DIMENSIONS = 16  # of a variable; the templates of chromatography know two


class DamagedNetcdf(Exception):
    """A file that does not hold what its header announces; the text says what."""


@dataclass(frozen=True, eq=False)
class NetcdfVariable:
    """Values as they are stored, characters as single bytes, and attributes by name."""

    values: NDArray[Any]
    attributes: dict[str, Any]


@dataclass(frozen=True, eq=False)
class NetcdfFile:
    """Global attributes and variables by name; attributes are bytes, numbers or arrays of numbers."""

    attributes: dict[str, Any]
    variables: dict[str, NetcdfVariable]


@dataclass(frozen=True)
class _Declared:
    """A variable as the header announces it; `shape` without the dimension of records."""

    name: str
    shape: tuple[int, ...]
    by_record: bool
    attributes: dict[str, Any]
    kind: np.dtype[Any]
    begin: int

    @property
    def size(self) -> int:
        """Bytes, of one record if it has records."""
        return math.prod(self.shape) * self.kind.itemsize


class _Header:
    """The bytes of a file, read one after another."""

    def __init__(self, raw: bytes) -> None:
        self.raw, self.at = raw, 4
        self.offset_bytes = 4 if raw[3] == 1 else 8

    def take(self, count: int) -> bytes:
        """So many bytes; what is announced beyond the end is never set aside."""
        if count > len(self.raw) - self.at:
            raise DamagedNetcdf("it ends within its header")
        self.at += count
        return self.raw[self.at - count : self.at]

    def number(self, count: int = 4) -> int:
        return int.from_bytes(self.take(count), "big")

    def padded(self, count: int) -> bytes:
        taken = self.take(count)
        self.take(-count % 4)
        return taken

    def name(self) -> str:
        return self.padded(self.number()).rstrip(b"\0").decode("utf-8", errors="replace")

    def list_of(self, tag: int) -> int:
        """How many entries a list has."""
        found, count = self.number(), self.number()
        if found not in (tag, 0) or (found == 0 and count):
            raise DamagedNetcdf(f"its header has {found} in the place of {tag}")
        return count

    def kind(self) -> int:
        kind = self.number()
        if kind not in TYPES:
            raise DamagedNetcdf(f"its header names a type {kind}, which there is not")
        return kind

    def attributes(self) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for _ in range(self.list_of(ATTRIBUTES)):
            name, kind, count = self.name(), self.kind(), self.number()
            if kind == CHARACTERS:
                found[name] = self.padded(count).rstrip(b"\0")
                continue
            values = np.frombuffer(self.padded(count * np.dtype(TYPES[kind]).itemsize), TYPES[kind])
            found[name] = values[0] if len(values) == 1 else values
        return found

    def variable(self, sizes: list[int]) -> _Declared:
        name, rank = self.name(), self.number()
        if rank > MOST_DIMENSIONS:
            raise DamagedNetcdf(f"its header gives a variable {rank} dimensions")
        along = [self.number() for _ in range(rank)]
        if any(each >= len(sizes) for each in along):
            raise DamagedNetcdf("its header names a dimension that there is not")
        shape = [sizes[each] for each in along]
        by_record = bool(shape) and shape[0] == 0
        if 0 in shape[1:]:
            raise DamagedNetcdf("its records are no first dimension")
        attributes, kind = self.attributes(), np.dtype(TYPES[self.kind()])
        self.number()  # its size, which follows from its shape
        begin = self.number(self.offset_bytes)
        return _Declared(name, tuple(shape[by_record:]), by_record, attributes, kind, begin)


def read_netcdf(raw: bytes) -> NetcdfFile:
    """What is in a file that begins with one of `MAGIC`.

    Raises
    ------
    DamagedNetcdf : when its header is none, or announces more than there is
    """
    header = _Header(raw)
    records = header.number()
    sizes = []
    for _ in range(header.list_of(DIMENSIONS)):
        header.name()
        sizes.append(header.number())
    attributes = header.attributes()
    declared = [header.variable(sizes) for _ in range(header.list_of(VARIABLES))]
    of_records = [each for each in declared if each.by_record]
    # Every record is padded to four bytes, but for those of a variable that alone has records.
    step = sum(each.size + (-each.size % 4 if len(of_records) > 1 else 0) for each in of_records)
    if records == STREAMING:
        begin = min((each.begin for each in of_records), default=0)
        records = max(len(raw) - begin, 0) // max(step, 1)
    return NetcdfFile(
        attributes,
        {each.name: NetcdfVariable(_values(raw, each, records, step), each.attributes) for each in declared},
    )


def _values(raw: bytes, of: _Declared, records: int, step: int) -> NDArray[Any]:
    """A view of a variable's values; a variable of characters with no dimension has one."""
    shape = (records, *of.shape) if of.by_record else of.shape
    empty = of.by_record and not records
    end = of.begin + (0 if empty else of.size + (step * (records - 1) if of.by_record else 0))
    if end > len(raw):
        raise DamagedNetcdf(f"{_shown(of.name)} goes on beyond its end")
    if empty:
        return np.zeros(shape, of.kind)
    inner = [of.kind.itemsize * math.prod(of.shape[n + 1 :]) for n in range(len(of.shape))]
    return np.ndarray(shape, of.kind, raw, of.begin, [step, *inner] if of.by_record else inner)


def _shown(name: str) -> str:
    return name if len(name) <= 40 else f"{name[:40]} ..."
