"""Commands that write, for `benchmarks.fuzz`: killed at any operation on files, or with something wrong around them.

Each case is a scenario with a former result, a file of the user's own beside it, and a plan of what happens. The
command runs in a process of its own, forked. Its folder then holds the former result or the new one, whole; the next
run ends well.
"""

from __future__ import annotations

import contextlib
import errno
import io
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import traceback
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from benchmarks.fuzz_cases import Kind
from models.errors import InvalidInputError
from optimizer.app import cli
from optimizer.base.manifest import MANIFEST
from optimizer.base.output import undisturbed
from tests.optimizer.bad_inputs import write_good_scenario
from tests.optimizer.recorded import Recording, recorded, write_csv

OPERATIONS = frozenset((
    "open", "os.chmod", "os.link", "os.listdir", "os.mkdir", "os.remove", "os.rename", "os.rmdir", "os.scandir",
    "os.truncate",
))  # fmt: skip
LIMIT = 300.0  # s for one case
PLAN, OUT = "plan.json", "out"
MINE = {f"{OUT}/notes.txt": b"mine", f"{OUT}/set_points.bak": b"mine"}
NOBODY = 65534
ONCE, FOR_GOOD = ("ENOSPC", "EIO", "EACCES", "EMFILE", "EDQUOT", "EROFS"), ("EROFS", "EIO", "ENOSPC")
STREAMS = ("closed stdout", "full stdout", "reader gone")
REPLACED = ("a file instead", "a folder instead", "a link instead", "gone")
FAULTS = (
    "operation fails",
    "all fail from then on",
    "no room",
    "no descriptors",
    "read-only",
    *STREAMS,
    *REPLACED,
)
PROGRAM = b"""\
oven = { start_C = 60, hold_min = 1, ramps = [{ rate_C_per_min = 12, to_C = 250, hold_min = 4 }] }
carrier = { mode = "constant flow", flow_mL_min = 1.5 }
"""

Files = dict[str, bytes]


@dataclass(frozen=True)
class Command:
    """What is run in a scenario's folder, and what had been run there before."""

    arguments: tuple[str, ...]
    former: tuple[str, ...] = ()


COMMANDS = {
    "predict": Command(("predict", ".", "--program", "program.toml", "--out", OUT), ("predict", ".", "--out", OUT)),
    "fit": Command(("fit", ".", "--out", OUT), ("fit", "other", "--out", OUT)),
    "peaks": Command(("peaks", "trace.csv", "--out", OUT),
                     ("peaks", "trace.csv", "--min-signal-to-noise", "50", "--out", OUT)),
    "sweep": Command(("sweep", ".", "--vary", "inlet_kPa=90:110:3", "--out", OUT),
                     ("sweep", ".", "--vary", "start_C=100:110:3", "--out", OUT)),
    "new": Command(("new", "made/deeper")),
    "add": Command(("add", ".", "--run", "runs/third.csv", "--program", "program.toml", "--accept")),
}  # fmt: skip


def killed() -> list[Kind]:
    """Commands that are killed; none where processes cannot be forked."""
    plans = [
        Kind(name, {PLAN: b""}, _killed, _planned(name, ("kill",)), LIMIT)
        for name in COMMANDS
        if hasattr(os, "fork")
    ]
    return plans


def faulty() -> list[Kind]:
    """Commands around which something is wrong."""
    return [
        Kind(name, {PLAN: b""}, _faulty, _planned(name, FAULTS), LIMIT)
        for name in COMMANDS
        if hasattr(os, "fork")
    ]


def _planned(
    command: str, faults: Sequence[str]
) -> Callable[[random.Random, Mapping[str, bytes]], tuple[Files, list[str]]]:
    def spoil(rng: random.Random, _: Mapping[str, bytes]) -> tuple[Files, list[str]]:
        fault = rng.choice(faults)
        plan = {
            "command": command,
            "fault": fault,
            "former": rng.random() < 0.7,
            "at": rng.random(),
            "error": rng.choice(FOR_GOOD if fault.startswith("all") else ONCE),
            "room": rng.choice((0, rng.randrange(2_000), rng.randrange(150_000))),
        }
        return {PLAN: json.dumps(plan).encode()}, [fault, f"at {plan['at']:.3f}"]

    return spoil


# ---- what is run --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Known:
    """What a command finds and leaves when nothing happens to it: files of the folder by path, and its operations."""

    before: Files
    after: Files
    operations: int


def _inputs(folder: Path) -> None:
    write_good_scenario(folder)
    write_good_scenario(folder / "other")
    file = folder / "other" / "fast.csv"
    lines = file.read_text(encoding="utf-8").split("\n")
    file.write_text("\n".join([lines[0], lines[1].replace("2", "3", 1), *lines[2:]]), encoding="utf-8")
    (folder / "program.toml").write_bytes(PROGRAM)
    write_csv(folder / "trace.csv", _recording())
    (folder / "runs").mkdir()
    (folder / "runs" / "third.csv").write_bytes(_third())


@cache
def _recording() -> Recording:
    from benchmarks.fuzz_traces import NOISE, PEAKS

    return recorded(PEAKS, noise=NOISE)


@cache
def _third() -> bytes:
    """The peak table of a run of `PROGRAM`."""
    import rampwright as rw

    with tempfile.TemporaryDirectory() as name:
        write_good_scenario(Path(name))
        (Path(name) / "program.toml").write_bytes(PROGRAM)
        peaks = rw.predict(rw.fit(rw.load_scenario(name)), Path(name) / "program.toml", "none").peaks
    rows = [f"{each.compound},{each.retention / 60:.4f},{each.width_half / 60:.4f}" for each in peaks]
    return "\n".join(["compound,retention_min,width_half_min", *rows, ""]).encode()


@cache
def known(name: str, former: bool) -> Known:
    """Of a command run once; everything that it imports is then there for those that are forked."""
    command = COMMANDS[name]
    with tempfile.TemporaryDirectory(prefix="fuzz-") as temporary:
        folder = Path(temporary).resolve()
        _inputs(folder)
        if former and command.former:
            _in_this_process(folder, command.former)
            for file, content in MINE.items():
                (folder / file).write_bytes(content)
        before = _tree(folder)
        _in_this_process(folder, command.arguments)
        after = _tree(folder)
        _put(folder, before)
        counted = folder / "counted"
        _run(folder, command.arguments, lambda: _at(folder, 0, lambda: None, counted))
        return Known(before, after, int(counted.read_bytes()))


def _in_this_process(folder: Path, arguments: Sequence[str]) -> None:
    here = Path.cwd()
    os.chdir(folder)
    try:
        with contextlib.redirect_stdout(io.StringIO()), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            cli.app(list(arguments), standalone_mode=False)
    finally:
        os.chdir(here)


def _tree(folder: Path) -> Files:
    """Every file below a folder by its path, but hidden ones other than the list of what was written."""
    return {
        str(each.relative_to(folder)): each.read_bytes()
        for each in sorted(folder.rglob("*"))
        if each.is_file() and each.name != PLAN and not _hidden(each.relative_to(folder))
    }


def _hidden(path: Path) -> bool:
    return any(part.startswith(".") and part != MANIFEST for part in path.parts)


def _leftovers(folder: Path) -> list[str]:
    return [str(each.relative_to(folder)) for each in folder.rglob(".*") if each.name != MANIFEST]


def _put(folder: Path, files: Files) -> None:
    """The folder as it was."""
    for each in folder.iterdir():
        if each.name != PLAN:
            shutil.rmtree(each) if each.is_dir() and not each.is_symlink() else each.unlink()
    for name, content in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)


def _run(folder: Path, arguments: Sequence[str], prepare: Callable[[], object] = bool) -> tuple[int, str]:
    """Exit status and all that a command in a folder said, in a process of its own in which something is prepared."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        _child(folder, arguments, prepare, writing)
    os.close(writing)
    with os.fdopen(reading, "rb") as pipe:
        said = pipe.read().decode("utf-8", "replace")
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), said


def _child(folder: Path, arguments: Sequence[str], prepare: Callable[[], object], said: int) -> None:
    code: object = 70
    try:
        signal.setitimer(signal.ITIMER_REAL, 0)
        warnings.resetwarnings()
        os.chdir(folder)
        os.dup2(said, 1)
        os.dup2(said, 2)
        sys.stdout, sys.stderr = os.fdopen(1, "w", encoding="utf-8"), os.fdopen(2, "w", 1, encoding="utf-8")
        sys.argv = ["rampwright", *arguments]
        prepare()
        cli.main()
        code = 0
    except SystemExit as end:
        code = end.code or 0
    except BaseException:
        with contextlib.suppress(OSError):
            os.write(2, traceback.format_exc(limit=-6).encode())
    os._exit(code if isinstance(code, int) else 70)


def _at(folder: Path, number: int, happens: Callable[[], object], counted: Path | None = None) -> None:
    """From now on something happens before that operation in a folder, counted from 1; or all are counted."""
    inside, count, busy = str(folder), 0, False

    def operation(event: str, arguments: tuple[object, ...]) -> None:
        nonlocal count, busy
        if busy or event not in OPERATIONS:
            return
        named = [each for each in arguments if isinstance(each, str | Path)]
        if not any(os.path.abspath(each).startswith(inside) for each in named):
            return
        count += 1
        busy = True
        try:
            if counted is not None:
                counted.write_text(str(count))
            elif count >= number:
                happens()
        finally:
            busy = False

    sys.addaudithook(operation)


# ---- what happens to it -------------------------------------------------------------------------------------------


def _case(folder: Path) -> tuple[dict[str, object], Command, Known, int]:
    plan = json.loads((folder / PLAN).read_bytes())
    of = known(plan["command"], plan["former"])
    _put(folder, of.before)
    return plan, COMMANDS[plan["command"]], of, 1 + int(plan["at"] * of.operations)


def _killed(folder: Path) -> None:
    folder = folder.resolve()
    _, command, of, number = _case(folder)
    status, said = _run(
        folder, command.arguments, lambda: _at(folder, number, lambda: os.kill(os.getpid(), signal.SIGKILL))
    )
    if status != -signal.SIGKILL:
        raise AssertionError(f"was not killed at operation {number} of {of.operations}: {status} {said}")
    _old_or_new(folder, command, of)
    _ends_well(folder, command, of)


def _faulty(folder: Path) -> None:
    folder = folder.resolve()
    plan, command, of, number = _case(folder)
    fault = str(plan["fault"])
    with _away(folder) as elsewhere:
        status, said = _run(folder, command.arguments, lambda: _prepare(plan, folder, number, elsewhere))
        if fault == "read-only":
            _writable(folder, True)
        if "Traceback" in said or status not in (0, 1, 2):
            raise AssertionError(f"{fault}: ended with {status}: {said[-2000:]}")
        if (
            status
            and fault not in STREAMS
            and not any(each.startswith("rampwright: ") for each in said.split("\n"))
        ):
            raise AssertionError(f"{fault}: ended with {status} and said only {said[-2000:]!r}")
        if fault in REPLACED:
            _others_kept(folder, fault, elsewhere)
            return
    if status == 0 and _tree(folder) != of.after:
        raise AssertionError(
            f"{fault}: ended well, but {_differing(_tree(folder), of.after)} are not as it writes them"
        )
    _old_or_new(folder, command, of)
    _ends_well(folder, command, of)
    if status:
        raise InvalidInputError(f"{folder}: {fault} was told")


@contextlib.contextmanager
def _away(folder: Path) -> Iterator[Path]:
    """A folder of the user's elsewhere."""
    with tempfile.TemporaryDirectory(prefix="fuzz-mine-") as name:
        (Path(name) / "peaks.csv").write_bytes(b"mine")
        yield Path(name)


def _prepare(plan: Mapping[str, object], folder: Path, number: int, elsewhere: Path) -> None:
    """Make something wrong in the process of a command."""
    import resource

    fault, place = plan["fault"], folder / (OUT if "--out" in sys.argv else "made")
    if fault in ("operation fails", "all fail from then on"):
        _at(folder, number, _failing(getattr(errno, str(plan["error"])), fault == "operation fails"))
    elif fault == "no room":
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (int(str(plan["room"])),) * 2)
    elif fault == "no descriptors":
        resource.setrlimit(resource.RLIMIT_NOFILE, (3 + int(str(plan["room"])) % 6,) * 2)
    elif fault == "read-only":
        _writable(folder, False)
    elif fault == "closed stdout":
        os.close(1)
    elif fault == "full stdout":
        os.dup2(os.open("/dev/full", os.O_WRONLY), 1)
    elif fault == "reader gone":
        reading, writing = os.pipe()
        os.dup2(writing, 1)
        os.close(reading)
        os.close(writing)
    else:
        _at(folder, number, _replacing(str(fault), place, elsewhere))


def _failing(number: int, once: bool) -> Callable[[], None]:
    left = 1 if once else 10**9

    def fail() -> None:
        nonlocal left
        left -= 1
        if left >= 0:
            raise OSError(number, os.strerror(number))

    return fail


def _replacing(fault: str, place: Path, elsewhere: Path) -> Callable[[], None]:
    done = False

    def replace() -> None:
        nonlocal done
        if done:
            return
        done = True
        shutil.rmtree(place, ignore_errors=True)
        if fault == "a file instead":
            place.write_bytes(b"mine")
        elif fault == "a folder instead":
            shutil.copytree(elsewhere, place)
        elif fault == "a link instead":
            place.symlink_to(elsewhere)

    return replace


def _writable(folder: Path, again: bool) -> None:
    """A folder that may not be written, as a user without rights; or it may be again."""
    for each in (*folder.rglob("*"), folder):
        if each.is_dir():
            each.chmod(0o755 if again else 0o555)
    if not again and os.geteuid() == 0:
        os.setegid(NOBODY)
        os.seteuid(NOBODY)


# ---- what must then be so -----------------------------------------------------------------------------------------


def _old_or_new(folder: Path, command: Command, of: Known) -> None:
    """As the next reader finds it; a run that is put in leaves at most files to which nothing refers."""
    if (folder / OUT).exists():
        with undisturbed(folder / OUT):
            found = _tree(folder)
    else:
        found = _tree(folder)
    if command.arguments[0] == "add":
        found = {name: found.get(name, b"") for name in of.before}
        wanted = [of.before, {name: of.after[name] for name in of.before}]
    else:
        wanted = [of.before, of.after]
    if found not in wanted:
        differing = [_differing(found, each) for each in wanted]
        raise AssertionError(
            f"neither the former result (in {differing[0]}) nor the new one (in {differing[1]})"
        )


def _differing(found: Files, wanted: Files) -> list[str]:
    return [name for name in sorted({*found, *wanted}) if found.get(name) != wanted.get(name)]


def _ends_well(folder: Path, command: Command, of: Known) -> None:
    """The command again, nothing happening: the new result, and nothing left over."""
    if command.arguments[0] in ("new", "add") and _done(folder, of):
        return
    status, said = _run(folder, command.arguments)
    found = _tree(folder)
    if command.arguments[0] == "add":  # what a run that was killed left keeps its name
        found = {name: found[name] for name in of.before}
    wanted = of.after if command.arguments[0] != "add" else {name: of.after[name] for name in of.before}
    if status or (command.arguments[0] != "add" and found != wanted):
        raise AssertionError(
            f"the next run ended with {status}, {_differing(found, wanted)} not as it should be: {said}"
        )
    if left := _leftovers(folder):
        raise AssertionError(f"the next run left {left}")


def _done(folder: Path, of: Known) -> bool:
    return all((folder / name).exists() for name in of.after.keys() - of.before.keys()) and all(
        (folder / name).read_bytes() == of.after[name] for name in of.before
    )


def _others_kept(folder: Path, fault: str, elsewhere: Path) -> None:
    """What was put in place of the folder while the command ran is there, as it was."""
    if (elsewhere / "peaks.csv").read_bytes() != b"mine":
        raise AssertionError(f"{fault}: a file behind the link was replaced")
    places = [each for each in (folder / OUT, folder / "made") if os.path.lexists(each)]
    for place in places:
        if fault == "a file instead" and place.is_file() and place.read_bytes() != b"mine":
            raise AssertionError(f"{fault}: it was replaced")
        if fault == "a folder instead" and (place / "peaks.csv").exists():
            content = (place / "peaks.csv").read_bytes()
            if content != b"mine" and not (place / MANIFEST).exists():
                raise AssertionError(f"{fault}: a file in it was replaced")
