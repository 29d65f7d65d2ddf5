"""Where a shared study is kept: an SQLite file or a PostgreSQL database, named without giving a password away."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import SplitResult, parse_qs, urlsplit

from models.errors import RampwrightError

VARIABLE = "RAMPWRIGHT_STUDY"  # the environment variable that names a study
DEFAULT_FILE = "study.db"  # in a folder given as the study
POSTGRES = ("postgresql", "postgres", "postgresql+psycopg")
PATIENCE = 5.0  # s, for a locked file
SECRETS = ("password", "sslpassword")  # of a URL's options


class StudyError(RampwrightError):
    """A study that cannot be used: unreachable, not allowed, of another scenario, or named wrongly."""


@dataclass(frozen=True)
class StudyPlace:
    """Where a study is.

    Attributes
    ----------
    url : str, as SQLAlchemy takes it; it may hold a password and is never shown
    shown : str, the same for people and logs
    file : Path of an SQLite file, None on a server
    """

    url: str
    shown: str
    file: Path | None = None

    def __repr__(self) -> str:
        return f"StudyPlace({self.shown})"


def study_place(text: str, typed: bool = True) -> StudyPlace:
    """The place that a file name, a folder or a URL names.

    Parameters
    ----------
    typed : whether it was typed on the command line, where a password has no place

    Raises
    ------
    StudyError : for other databases, URLs that cannot be read, and passwords on the command line
    """
    if "://" not in text:
        path = Path(text)
        return _file(path / DEFAULT_FILE if path.is_dir() or text.endswith(("/", "\\")) else path)
    scheme = text.partition("://")[0].lower()
    if scheme == "sqlite":
        return _file(Path(text.partition(":///")[2]))
    if scheme not in POSTGRES:
        raise StudyError(
            "a study is kept in an SQLite file (give its name) or in PostgreSQL (postgresql://host/database), not in "
            f"{scheme}"
        )
    try:
        url = urlsplit(text)
        port, options = url.port, parse_qs(url.query)
    except ValueError:  # its text may hold the password
        raise StudyError(
            "the study's URL cannot be read; it is postgresql://user@host:5432/database, and in a password "
            "characters such as @ : / # are written as %40 %3A %2F %23"
        ) from None
    if typed and (url.password is not None or any(secret in options for secret in SECRETS)):
        raise StudyError(
            "no password belongs on the command line, where others on this machine see it and the shell keeps it: "
            "leave it out of the URL and set PGPASSWORD, or name a password file in PGPASSFILE, or put the whole URL "
            f"into {VARIABLE}"
        )
    return StudyPlace(f"postgresql+psycopg://{text.partition('://')[2]}", _shown(url, port))


def place_of_option(study: str | None, name: str | None, source: object) -> StudyPlace | None:
    """The place that the options of a command name; `source` says where the first of them came from."""
    if not study:
        if name is not None:
            raise StudyError(f"--study-name names a study; say with --study, or in {VARIABLE}, where it is")
        return None
    return study_place(study, typed=getattr(source, "name", "") != "ENVIRONMENT")


def _file(path: Path) -> StudyPlace:
    if not path.name:
        raise StudyError("the study's file has no name; give one, as in --study study.db")
    return StudyPlace(f"sqlite:///{path.absolute()}", str(path), path.absolute())


def _shown(url: SplitResult, port: int | None) -> str:
    """Who and where, without password and options."""
    user = f"{url.username}@" if url.username else ""
    return f"postgresql://{user}{url.hostname or ''}{'' if port is None else f':{port}'}{url.path}"


def require_usable(place: StudyPlace) -> None:
    """Find out whether an SQLite file can be read and written; a new one is made.

    Raises
    ------
    StudyError : naming the file and the reason
    """
    if place.file is None:
        return
    try:
        with closing(sqlite3.connect(place.file, timeout=PATIENCE)) as database:
            # Readers and the one who writes do not wait for each other, and a commit is cheap.
            database.execute("PRAGMA journal_mode=WAL")
            database.execute("BEGIN IMMEDIATE")
            database.rollback()
    except sqlite3.Error as error:
        raise StudyError(f"{place.shown}: {_reason(place.file, error)}") from error


def _reason(file: Path, error: sqlite3.Error) -> str:
    said = str(error)
    if "locked" in said or "busy" in said:
        return (
            f"another program has locked the study's file for {PATIENCE:g} s; close it there, or name another file "
            "(on a network share SQLite's locks do not work: use PostgreSQL for several machines)"
        )
    if "readonly" in said or "read-only" in said:
        return "the study's file cannot be written; make it writable or name another one"
    if "not a database" in said or "malformed" in said:
        return "is not an SQLite database; name another file, or none that exists for a new study"
    if not file.parent.is_dir():
        return f"the folder {file.parent} does not exist; make it, or name another file"
    return f"the study's file cannot be opened ({said}); name a file in a folder that you may write to"
