"""The server of the page: who is let in, what is answered, and that nothing of the user's is replaced."""

from __future__ import annotations

import os
import re
import shutil
import signal
import socket
import stat
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("starlette", reason="NOT TESTED: the page; pip install 'rampwright[page]'")
pytest.importorskip("httpx", reason="NOT TESTED: the page; pip install httpx")

from starlette.testclient import TestClient

import rampwright as rw
from models.errors import RampwrightError
from optimizer.page.gate import Gate
from optimizer.page.server import MOST_BODY, application, bound
from optimizer.page.session import Session
from tests.optimizer.bad_inputs import write_good_scenario
from tests.optimizer.hostile import NAMES
from tests.optimizer.interrupted import ROOT

PORT = 8765
OWN = f"http://127.0.0.1:{PORT}"
PROGRAM: dict[str, Any] = {
    "oven": {"start_C": 60, "hold_min": 1, "ramps": [{"rate_C_per_min": 12, "to_C": 250, "hold_min": 4}]},
    "carrier": {"mode": "constant flow", "flow_mL_min": 1.5},
}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("page") / "five"
    write_good_scenario(folder)
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    shutil.copytree(made, tmp_path / "five")
    return tmp_path / "five"


class Served:
    """A session's application, and a browser's way to ask it."""

    def __init__(self, session: Session) -> None:
        self.session, self.gate = session, Gate()
        self.client = TestClient(
            application(session, self.gate, PORT), base_url=OWN, raise_server_exceptions=True
        )
        self.key = {"Authorization": f"Bearer {self.gate.token}", "Origin": OWN}

    def ask(self, name: str, document: object, status: int = 200, **headers: str) -> Any:
        answer = self.client.post(f"/ask/{name}", json=document, headers={**self.key, **headers})
        assert answer.status_code == status, answer.text
        return answer.json()


@pytest.fixture
def served(folder: Path) -> Served:
    return Served(Session(folder))


# ---- who is let in ---------------------------------------------------------------------------------------------


def test_the_code_is_exchanged_once_and_the_next_is_told() -> None:
    told: list[str] = []
    gate = Gate(told.append)
    code = gate.code
    assert re.fullmatch(r"([A-Z2-9]{5}-){4}[A-Z2-9]{5}", code)
    assert gate.exchange("AAAAA-AAAAA-AAAAA-AAAAA-AAAAA") is None
    assert gate.exchange("") is None
    assert gate.exchange("µ") is None
    assert gate.exchange(f" {code.lower()} ") == gate.token  # as a person may type it
    assert gate.exchange(code) is None
    assert told == [gate.code] != [code]
    assert gate.admits(f"Bearer {gate.token}")
    assert not any(
        map(gate.admits, ("", "Bearer ", f"bearer {gate.token}", gate.token, f"Bearer {code}", "Bearer µ"))
    )


@pytest.mark.skipif(os.name == "nt", reason="NOT TESTED on Windows: modes of files")
def test_the_redirect_file_is_for_its_owner_alone_and_goes_with_the_code() -> None:
    gate = Gate()
    file = gate.redirect_file(f"{OWN}/")
    try:
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
        text = file.read_text(encoding="utf-8")
        assert gate.code in text
        assert gate.token not in text
        assert gate.code not in file.as_uri()  # which the list of processes shows
        gate.exchange(gate.code)
        assert not file.exists()
    finally:
        gate.close()


def test_the_redirect_files_browser_gets_the_token_in_a_page_and_the_page_itself_as_data(
    served: Served,
) -> None:
    answer = served.client.post("/enter", data={"code": served.gate.code}, headers={"Origin": "null"})
    assert answer.status_code == 200
    assert served.gate.token in answer.text
    assert "set-cookie" not in answer.headers
    assert served.gate.token not in str(answer.url)
    typed = served.client.post("/enter", data={"code": served.gate.code}, headers={"Origin": OWN})
    assert typed.json() == {"token": served.gate.token}
    assert served.client.post("/enter", data={"code": "x"}, headers={"Origin": OWN}).status_code == 403


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Host": f"localhost:{PORT}"}, 421),
        ({"Host": "evil.example"}, 421),
        ({"Host": "127.0.0.1:1"}, 421),
        ({"Host": f"127.0.0.1:{PORT}.evil.example"}, 421),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": f"http://localhost:{PORT}"}, 403),
        ({"Origin": f"https://127.0.0.1:{PORT}"}, 403),
        ({"Origin": f"{OWN}/"}, 403),
        ({"Authorization": ""}, 401),
        ({"Authorization": "Bearer none"}, 401),
    ],
    ids=str,
)
def test_pages_from_elsewhere_and_strangers_are_refused(
    served: Served, headers: dict[str, str], status: int
) -> None:
    answer = served.client.post("/ask/predict", json={"program": PROGRAM}, headers={**served.key, **headers})
    assert answer.status_code == status
    assert "run_time" not in answer.text


def test_a_request_without_an_origin_is_refused_where_it_asks_for_something(served: Served) -> None:
    key = {"Authorization": served.key["Authorization"]}
    assert served.client.post("/ask/state", json={}, headers=key).status_code == 403
    assert served.client.get("/").status_code == 200
    assert served.client.get("/", headers={"Origin": "http://evil.example"}).status_code == 403


def test_every_answer_has_the_policy_and_static_files_are_those_of_the_folder(served: Served) -> None:
    for path, status in (
        ("/", 200),
        ("/static/enter.js", 200),
        ("/static/../server.py", 404),
        ("/static/%2e%2e/server.py", 404),
        ("/ask/state", 405),
        ("/nothing", 404),
    ):
        answer = served.client.get(path, headers=served.key)
        assert answer.status_code == status, path
        policy = answer.headers["content-security-policy"]
        assert policy.startswith("default-src 'none'; script-src 'self';")
        assert "unsafe" not in policy
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["x-content-type-options"] == "nosniff"


def test_a_large_request_is_cut_off(served: Served) -> None:
    assert "256 kB" in served.ask("predict", {"program": "x" * MOST_BODY}, 413)["error"]
    form = served.client.post("/enter", data={"code": "x" * MOST_BODY}, headers={"Origin": OWN})
    assert form.status_code == 413


def test_the_port_is_open_on_this_machine_alone_and_a_taken_one_is_told() -> None:
    with bound(0) as listening:
        address, port = listening.getsockname()
        assert address == "127.0.0.1"
        with pytest.raises(RampwrightError, match=f"--port {port}: cannot be used"):
            bound(port)


# ---- what is answered ------------------------------------------------------------------------------------------


def test_the_state_names_what_to_start_from(served: Served) -> None:
    state = served.ask("state", {})
    scenario = served.session.fitted.scenario
    assert state["title"] == scenario.title
    labels = [each["label"] for each in state["starts"]]
    assert labels[-len(scenario.runs) :] == [f"scouting run {run.name}" for run in scenario.runs]
    for start in state["starts"]:
        assert served.ask("predict", {"program": start["program"], "certainty": "none"})["run_time"] > 0


@pytest.mark.parametrize("certainty", ["none", "quick", "exact"])
def test_a_prediction_is_that_of_the_interface(served: Served, certainty: Any) -> None:
    told = served.ask("predict", {"program": PROGRAM, "certainty": certainty})
    made = rw.predict(served.session.fitted, PROGRAM, certainty)
    assert told["run_time"] == pytest.approx(made.run_time_min, abs=1e-4)
    assert told["resolution"] == pytest.approx(made.min_resolution, abs=1e-4)
    assert tuple(told["critical"]) == made.prediction.critical_pair
    assert [each["name"] for each in told["peaks"]] == [each.compound for each in made.peaks]
    margins = [each["margin"] for each in told["margins"]]
    assert margins == pytest.approx(sorted(each.margin for each in made.margins)[: len(margins)], abs=1e-4)
    assert told["changed"] is False
    if made.reliability is None:
        assert told["probability"] is None
    else:
        assert told["probability"]["share"] == made.reliability.share
    named = made.margins[0].pair or made.prediction.critical_pair
    pair = served.ask("predict", {"program": PROGRAM, "certainty": certainty, "pair": named})["pair"]
    assert tuple(pair["names"]) == named


def test_set_points_are_moved_to_the_instruments_steps(served: Served) -> None:
    odd = {**PROGRAM, "oven": {**PROGRAM["oven"], "start_C": 60.37}}
    told = served.ask("predict", {"program": odd, "certainty": "none"})
    step = served.session.fitted.scenario.instrument.steps.temperature
    assert told["program"]["oven"]["start_C"] == pytest.approx(round(60.37 / step) * step)


def test_what_cannot_be_done_is_told_with_its_reason(served: Served) -> None:
    fast = {**PROGRAM, "oven": {"start_C": 60, "ramps": [{"rate_C_per_min": 280, "to_C": 250}]}}
    assert "the oven heats at no more than" in served.ask("predict", {"program": fast}, 422)["error"]
    much = {**PROGRAM, "carrier": {"mode": "constant flow", "flow_mL_min": 40}}
    assert "largest column flow" in str(
        served.ask("predict", {"program": much, "certainty": "none"})["margins"]
    )
    assert served.ask("predict", {"program": much, "certainty": "none"})["cannot_run"]
    for wrong in ({}, {"program": 3}, {"program": {"oven": {}}}, {"program": PROGRAM, "certainty": "much"}):
        assert served.ask("predict", wrong, 422)["error"]
    for pair in ("ab", ["a"], ["a", 3]):
        assert served.ask("predict", {"program": PROGRAM, "pair": pair}, 422)["error"]
    assert served.client.post("/ask/predict", content=b"[1", headers=served.key).status_code == 400
    assert served.client.post("/ask/predict", content=b"[" * 99_999, headers=served.key).status_code == 400
    many = {**PROGRAM, "oven": {**PROGRAM["oven"], "start_C": [1] * 50_000}}
    for ask in ("predict", "save"):
        assert len(served.ask(ask, {"program": many, "name": [1] * 50_000}, 422)["error"]) < 2_000
    half = rb'{"tree": {"title": "x"}, "tables": {"slow.csv": "\ud800name"}}'
    assert served.client.post("/ask/write-form", content=half, headers=served.key).status_code == 400


def test_a_program_in_which_nothing_elutes_is_answered(served: Served) -> None:
    cold = {
        "oven": {"start_C": 40, "hold_min": 0.5},
        "carrier": {"mode": "constant flow", "flow_mL_min": 1.0},
    }
    for certainty in ("none", "quick", "exact"):
        told = served.ask("predict", {"program": cold, "certainty": certainty, "pair": "critical"})
        assert told["run_time"] > 0
        assert len(told["trace"][0]) > 10


def test_program_files_and_results_are_found(folder: Path, tmp_path: Path) -> None:
    found = rw.optimize(rw.fit(rw.load_scenario(folder)), rounds=3, what_if=False)
    found.save(folder / "results")
    found.save(tmp_path / "elsewhere")
    (folder / "robust.toml").write_text(
        "oven = { start_C = 60 }\ncarrier = { mode = 'constant flow', flow_mL_min = 1.5 }\n", encoding="utf-8"
    )
    (folder / "notes.toml").write_text("a = 1\n", encoding="utf-8")
    served = Served(Session(folder, [tmp_path / "elsewhere"]))
    state = served.ask("state", {})
    labels = [each["label"] for each in state["starts"]]
    ranks = range(1, len(found.candidates) + 1)
    for name in ("results", "elsewhere"):
        assert [each for each in labels if each.startswith(name)] == [f"{name}, candidate {n}" for n in ranks]
    assert "robust.toml" in labels
    assert len(state["notes"]) == 1
    assert "notes.toml" in state["notes"][0]
    told = served.ask("program", {"name": "robust.toml", "text": (folder / "robust.toml").read_text()})
    assert told["starts"][0]["program"]["oven"]["start_C"] == 60
    assert "is no TOML file" in served.ask("program", {"name": "x", "text": "a = "}, 422)["error"]


def test_a_change_of_the_files_is_told_and_read_when_asked(served: Served, folder: Path) -> None:
    file = folder / "scenario.toml"
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace('title = "', 'title = "Changed: '), encoding="utf-8")
    assert served.ask("predict", {"program": PROGRAM, "certainty": "none"})["changed"] is True
    assert not served.ask("state", {})["title"].startswith("Changed")
    assert served.ask("state", {"again": True})["title"].startswith("Changed")
    assert served.ask("predict", {"program": PROGRAM, "certainty": "none"})["changed"] is False
    file.write_text("broken", encoding="utf-8")
    assert "scenario.toml" in served.ask("state", {"again": True}, 422)["error"]
    assert (
        served.ask("predict", {"program": PROGRAM, "certainty": "none"})["changed"] is True
    )  # the old one stays


# ---- what is written -------------------------------------------------------------------------------------------


def test_a_saved_program_is_a_folder_that_commands_understand(served: Served, folder: Path) -> None:
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    told = served.ask("save", {"program": PROGRAM, "name": "fast one"})
    saved = folder / "programs" / "fast one"
    assert Path(told["folder"]) == saved
    assert sorted(path.name for path in saved.iterdir()) == told["files"]
    assert {"program.toml", "set_points.txt", "prediction.json", "chromatogram.png"} <= set(told["files"])
    again = rw.predict(served.session.fitted, saved / "program.toml", "none")
    assert again.run_time_min == pytest.approx(
        rw.predict(served.session.fitted, PROGRAM, "none").run_time_min, abs=1e-9
    )
    assert "fast one" in [each["label"] for each in served.ask("state", {})["starts"]]
    assert {path: path.read_bytes() for path in before} == before


def test_of_two_pages_the_later_is_told_and_nothing_is_replaced(served: Served, folder: Path) -> None:
    other = Served(Session(folder))
    served.ask("save", {"program": PROGRAM, "name": "mine"})
    kept = {path: path.read_bytes() for path in (folder / "programs").rglob("*") if path.is_file()}
    told = other.ask("save", {"program": PROGRAM, "name": "mine"}, 422)["error"]
    assert "exists already" in told
    assert {path: path.read_bytes() for path in (folder / "programs").rglob("*") if path.is_file()} == kept


@pytest.mark.parametrize(
    "name",
    ["", ".", "..", "../x", "a/b", "a\\b", "/tmp/x", "x" * 61, "a\nb", "a\0", " a", "a.", "µ", 3, None],
)
def test_names_stay_within_the_scenarios_folder(served: Served, folder: Path, name: object) -> None:
    assert "name" in served.ask("save", {"program": PROGRAM, "name": name}, 422)["error"]
    assert not (folder / "programs").exists()


def test_names_of_tables_are_data_and_nothing_else(served: Served) -> None:
    """A name that is markup stays a string of JSON; what the page draws of it, a test in a browser shows."""
    for name in NAMES:
        assert name not in served.client.get("/").text
    answer = served.client.post("/ask/predict", json={"program": PROGRAM}, headers=served.key)
    assert answer.headers["content-type"].startswith("application/json")


# ---- the command -----------------------------------------------------------------------------------------------


@pytest.mark.skipif(os.name == "nt", reason="NOT TESTED on Windows: sending a Ctrl-C to one process")
def test_the_command_serves_until_ctrl_c(folder: Path) -> None:
    words = [sys.executable, "-m", "rampwright", "open", str(folder), "--no-browser"]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), str(ROOT / "optimizer/package")])}
    process = subprocess.Popen(
        words,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**environment, "PYTHONUNBUFFERED": "1"},
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler) and None,
    )
    assert process.stdout is not None
    try:
        process.stdout.readline()
        address = process.stdout.readline()
        port = int(re.search(r"http://127\.0\.0\.1:(\d+)/", address)[1])  # type: ignore[index]
        assert "Ctrl-C" in process.stdout.readline()
        with socket.create_connection(("127.0.0.1", port), timeout=300) as asking:
            asking.sendall(f"GET / HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n\r\n".encode())
            assert asking.recv(12) == b"HTTP/1.1 200"
    finally:
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=300)
    assert (process.returncode, err) == (0, "")
    assert "Closed." in out


def test_a_scenario_that_cannot_be_used_yet_is_told_why_and_can_be_set_up(tmp_path: Path) -> None:
    served = Served(Session(tmp_path))
    state = served.ask("state", {})
    assert state["ready"] is False
    assert "scenario.toml" in state["problems"][0]
    assert "scenario.toml" in served.ask("predict", {"program": PROGRAM}, 422)["error"]
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "scenario.toml").write_text("a = ", encoding="utf-8")
    served = Served(Session(tmp_path))
    assert "not valid TOML" in served.ask("state", {})["problems"][0]
    assert "editor" in served.ask("form", {}, 422)["error"]
