"""Where a shared study is kept: an SQLite file or a PostgreSQL database, named without giving a password away."""

from __future__ import annotations

import os
import re
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from os import PathLike, fspath
from pathlib import Path
from urllib.parse import SplitResult, parse_qs, urlsplit

from models.errors import InvalidInputError, RampwrightError
from optimizer.base.errors import fit_to_show

VARIABLE = "RAMPWRIGHT_STUDY"  # the environment variable that names a study
DEFAULT_FILE = "study.db"  # in a folder given as the study
POSTGRES = ("postgresql", "postgres", "postgresql+psycopg")
PATIENCE = 5.0  # s, for a locked file
DAMAGED = (
    "the study's file is damaged, or another program has written to it; go back to a copy of it, or name another file, "
    "or none that exists for a new study"
)
OTHERS = ("mysql", "mariadb", "mssql", "oracle", "mongodb", "redis", "http", "https", "ftp", "file")
SECRETS = ("password", "sslpassword")  # of a URL's options


OWN_TABLES = frozenset(
    {"studies", "trials", "version_info", "alembic_version"}
)  # some of those of a study's file


class StudyError(RampwrightError):
    """A study that cannot be used: unreachable, damaged, not allowed, of another scenario, or named wrongly."""

    def __init__(self, said: str) -> None:
        super().__init__(fit_to_show(said))  # it may quote what a file holds


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
    typed : whether it was typed, on the command line or in a script, where a password has no place

    Raises
    ------
    StudyError : for other databases, URLs that cannot be read, and passwords that were typed
    """
    if "://" not in text:
        if _like_credentials(text):
            raise StudyError(
                "the study looks like a server's address that is mistyped; it is not repeated here, as it may hold a "
                "password; expected postgresql://user@host:5432/database, or the name of a file"
            )
        path = Path(text)
        return _file(path / DEFAULT_FILE if path.is_dir() or text.endswith(("/", "\\")) else path)
    scheme = text.partition("://")[0].lower()
    if scheme == "sqlite":
        return _file(Path(text.partition(":///")[2]))
    if scheme not in POSTGRES:
        raise StudyError(
            "a study is kept in an SQLite file (give its name) or in PostgreSQL (postgresql://host/database), not in "
            f"{scheme if scheme in OTHERS else 'what stands before ://'}"
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
            "no password belongs on the command line, where others on this machine see it and the shell keeps it, nor "
            "in a script or notebook: leave it out of the URL and set PGPASSWORD, or name a password file in "
            f"PGPASSFILE, or put the whole URL into {VARIABLE}"
        )
    return StudyPlace(f"postgresql+psycopg://{text.partition('://')[2]}", _shown(url, port))


def _like_credentials(text: str) -> bool:
    """Whether what is no URL may hold a password all the same: user:password@host, or password=..."""
    without_drive = re.sub(r"^[A-Za-z]:(?=[\\/])", "", text)
    return bool(re.search(r"^\s*postgres\w*\s*[:;]|:[^@]*@|pass(word|wd)?\s*=", without_drive, re.I))


def place_of_option(study: str | None, name: str | None, source: object) -> StudyPlace | None:
    """The place that the options of a command name; `source` says where the first of them came from."""
    if not study:
        if name is not None:
            raise StudyError(f"--study-name names a study; say with --study, or in {VARIABLE}, where it is")
        return None
    return study_place(study, typed=getattr(source, "name", "") != "ENVIRONMENT")


def place_of_argument(study: object, name: str | None) -> StudyPlace | None:
    """The place that the arguments of a function name.

    Unlike a command's, a function's study is never taken from the environment unasked: the value of the variable has to
    be given, and may then hold a password.

    Raises
    ------
    StudyError : as `study_place`, and for a name without a place
    InvalidInputError : for what is no file, folder or URL
    """
    if isinstance(study, StudyPlace):
        return study
    if study is None:
        if name is not None:
            raise StudyError("study_name names a study; say with study where it is")
        return None
    text = fspath(study) if isinstance(study, str | PathLike) else None
    if not isinstance(text, str) or not text:
        given = "an empty text" if text == "" else type(study).__name__
        raise InvalidInputError(
            f"study: expected the name of a file or a URL, postgresql://user@host/database, not {given}"
        )
    return study_place(text, typed=text != os.environ.get(VARIABLE))


def _file(path: Path) -> StudyPlace:
    if not path.name:
        raise StudyError("the study's file has no name; give one, such as study.db")
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
    if place.file.exists() and not place.file.is_file():
        raise StudyError(
            f"{place.shown}: is a folder or a device; name a file, or a folder for study.db to be made in"
        )
    try:
        with closing(sqlite3.connect(place.file, timeout=PATIENCE)) as database:
            tables = {
                name for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
            }
            if tables and not tables & OWN_TABLES:
                raise StudyError(
                    f"{place.shown}: is an SQLite database of another program, which is left as it is; name another "
                    "file, or none that exists for a new study"
                )
            # Readers and the one who writes do not wait for each other, and a commit is cheap.
            database.execute("PRAGMA journal_mode=WAL")
            database.execute("BEGIN IMMEDIATE")
            database.rollback()
    except (sqlite3.Error, UnicodeDecodeError) as error:
        raise StudyError(f"{place.shown}: {_reason(place.file, error)}") from error


def _reason(file: Path, error: Exception) -> str:
    said = str(error)
    if "locked" in said or "busy" in said:
        return (
            f"another program has locked the study's file for {PATIENCE:g} s; close it there, or name another file "
            "(on a network share SQLite's locks do not work: use PostgreSQL for several machines)"
        )
    if "readonly" in said or "read-only" in said:
        return "the study's file cannot be written; make it writable or name another one"
    if "not a database" in said:
        return "is not an SQLite database; name another file, or none that exists for a new study"
    if "full" in said:
        return "there is no room left on the disk for the study's file; make some, or name a file elsewhere"
    if "malformed" in said or isinstance(error, UnicodeDecodeError):
        return DAMAGED
    if not file.parent.is_dir():
        return f"the folder {file.parent} does not exist; make it, or name another file"
    return f"the study's file cannot be opened ({said}); name a file in a folder that you may write to"
