"""Files of the netCDF classic format and its 64-bit offset variant, read with scipy, as far as traces need them."""

from __future__ import annotations

import io
import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.io import netcdf_file

MAGIC = (b"CDF\x01", b"CDF\x02")


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


class _Shielded(netcdf_file):  # type: ignore[misc]
    """scipy's reader makes the attributes of a file its own: one called `fp` takes the place of the file it reads.

    Here they are kept aside.
    """

    def __init__(self, raw: bytes) -> None:
        self.attributes_of: dict[str, dict[str, Any]] = {}
        self.attributes_of_file: dict[str, Any] = {}
        super().__init__(io.BytesIO(raw), "r", mmap=False)

    def _read_gatt_array(self) -> None:
        self.attributes_of_file.update(self._read_att_array())

    def _read_var(self) -> tuple[Any, ...]:
        name, dimensions, shape, attributes, *rest = super()._read_var()
        self.attributes_of[name] = dict(attributes)
        return (name, dimensions, shape, {}, *rest)


def read_netcdf(raw: bytes) -> NetcdfFile:
    """What is in a file that begins with one of `MAGIC`.

    Raises
    ------
    DamagedNetcdf : when its header is none, or announces more than there is
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of what a broken header makes numpy say
            file = _Shielded(raw)
            variables = {
                name: NetcdfVariable(np.array(variable.data), file.attributes_of[name])
                for name, variable in file.variables.items()
            }
    except MemoryError:
        raise DamagedNetcdf("its header announces more than there is room for") from None
    except Exception as error:  # the reader meets broken files with whatever its parsing ran into
        raise DamagedNetcdf(type(error).__name__) from None
    return NetcdfFile(file.attributes_of_file, variables)
