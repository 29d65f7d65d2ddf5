"""Molar mass and diffusion volume of a vapour from its formula.

Sources: Fuller, Ensley and Giddings, J. Phys. Chem. 73 (1969) 3679, volumes as in Poling, Prausnitz and O'Connell, The
Properties of Gases and Liquids, 5th ed., table 11-1; IUPAC standard atomic weights, abridged.
"""

from __future__ import annotations

import re

from models.errors import InvalidInputError

DIFFUSION_VOLUMES = {
    "C": 15.9, "H": 2.31, "O": 6.11, "N": 4.54, "F": 14.7, "Cl": 21.0, "Br": 21.9, "I": 29.8, "S": 22.9,
}  # fmt: skip
RING_VOLUME = -18.3  # of each aromatic or heterocyclic ring
ATOMIC_WEIGHTS = {
    "C": 12.011, "H": 1.008, "O": 15.999, "N": 14.007, "F": 18.998, "Cl": 35.45, "Br": 79.904, "I": 126.904,
    "S": 32.06,
}  # fmt: skip
BONDS_BEYOND_TWO = {"C": 2, "N": 1, "H": -1, "F": -1, "Cl": -1, "Br": -1, "I": -1}
MOST_ATOMS = 400


def atoms_of(formula: str) -> dict[str, int]:
    """Counts of atoms in a formula such as "C10H22O".

    Raises
    ------
    InvalidInputError : when it is no formula of a compound of carbon, or has an atom of unknown volume
    """
    parts = re.findall(r"([A-Z][a-z]?)([1-9]\d*)?", formula)
    if not parts or "".join(symbol + count for symbol, count in parts) != formula:
        raise InvalidInputError("it is written as C10H22O, atoms and their counts")
    atoms: dict[str, int] = {}
    for symbol, count in parts:
        if symbol not in DIFFUSION_VOLUMES:
            known = ", ".join(DIFFUSION_VOLUMES)
            raise InvalidInputError(f"no diffusion volume is known of {symbol}; known are {known}")
        atoms[symbol] = atoms.get(symbol, 0) + int(count or 1)
    if "C" not in atoms or sum(atoms.values()) > MOST_ATOMS:
        raise InvalidInputError(f"a compound of carbon of up to {MOST_ATOMS} atoms is expected")
    return atoms


def molar_mass(formula: str) -> float:
    """[g/mol]"""
    return sum(ATOMIC_WEIGHTS[symbol] * count for symbol, count in atoms_of(formula).items())


def diffusion_volume(formula: str) -> float:
    """[-], sum of the atomic volumes less those of aromatic rings."""
    volumes = sum(DIFFUSION_VOLUMES[symbol] * count for symbol, count in atoms_of(formula).items())
    return volumes + RING_VOLUME * probable_rings(formula)


def probable_rings(formula: str) -> int:
    """Aromatic rings that the double bonds and rings in a formula probably mean: one for four, then one for three more.

    A formula does not say it: right for benzenes, naphthalenes, biphenyls and anthracenes; one ring that is not there
    makes D 3 % larger for a compound of 18 carbons, 6 % for one of 10.
    """
    surplus = sum(BONDS_BEYOND_TWO.get(symbol, 0) * count for symbol, count in atoms_of(formula).items())
    unsaturation = surplus / 2 + 1
    return 1 + int(unsaturation - 4) // 3 if unsaturation >= 4 else 0
