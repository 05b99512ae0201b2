"""The server answers who knows the token, by the loopback's name, and writes nothing."""

import base64
import contextlib
import gc
import http.client
import json
import os
import threading
import time
import urllib.request
from dataclasses import dataclass

import numpy as np
import pytest
from helpers.tried import two_drivers

from tsfit.box.kinds import ClosedPlan
from tsfit.live import server
from tsfit.live.server import HEADERS, Served, Trial, to_text
from tsfit.live.shown import show
from tsfit.live.state import PageState, first_state

TOKEN = "a-token"
MOVES = int(os.environ.get("TSFIT_MOVES", "12"))
DRIVERS = two_drivers(name="<b>Wagtail</b>")
TRIAL = Trial(DRIVERS, first_state(DRIVERS))
GETS = ("", "page.css", "page.js", "presence")
POSTS = ("show", "take/box")
STATE = '{"kind": "closed", "values": {"qtc": 0.8}}'


@dataclass(frozen=True)
class Answer:
    """What came back."""

    status: int
    headers: dict[str, str]
    content: bytes


@contextlib.contextmanager
def serving(**more):
    """Give a server in a thread, and the thread."""
    one = Served(TRIAL, **more)
    thread = threading.Thread(target=one.run)
    thread.start()
    yield one, thread
    one.stop()
    thread.join(10.0)
    assert not thread.is_alive()


@pytest.fixture(scope="module")
def ask():
    """Ask the server as any program on this computer could; without a host in `headers` by the right one."""
    with serving(token=TOKEN, keep=True) as (one, _):

        def asked(path, content=None, headers=None):
            link = http.client.HTTPConnection("127.0.0.1", one.port, timeout=20)
            host = (headers or {}).get("Host", f"127.0.0.1:{one.port}").replace("PORT", str(one.port))
            link.request("GET" if content is None else "POST", path, content, {**(headers or {}), "Host": host})
            answer = link.getresponse()
            # Presence never ends.
            found = Answer(answer.status, dict(answer.headers), b"" if path.endswith("presence") else answer.read())
            link.close()
            return found

        yield asked


@pytest.mark.parametrize("token", ["", "a-tokem", "A-TOKEN", "a-token2", "%C3%A9"])
def test_without_the_token_nothing_is_there(ask, token):
    for path in GETS:
        assert ask(f"/{token}/{path}").status == 404, path
    for path in POSTS:
        assert ask(f"/{token}/{path}", STATE).status == 404, path


@pytest.mark.parametrize(
    "headers", [{"Host": "evil.example"}, {"Host": "127.0.0.1:9"}, {"Host": "127.0.0.1"}, {"Origin": "http://evil.example"}]
)
def test_another_name_or_page_is_refused(ask, headers):
    """A name that is made to lead to the loopback, and a page of somebody else that asks."""
    assert ask(f"/{TOKEN}/", headers=headers).status == 404
    assert ask(f"/{TOKEN}/show", STATE, headers=headers).status == 404


def test_everything_comes_with_the_strict_headers(ask):
    for path in (f"/{TOKEN}/", f"/{TOKEN}/page.js", "/nothing"):
        answer = ask(path)
        assert {name: answer.headers[name.lower()] for name in HEADERS} == HEADERS
    assert "unsafe" not in HEADERS["Content-Security-Policy"]
    assert ask(f"/{TOKEN}/", headers={"Host": "localhost:PORT"}).status == 200


def test_the_page_holds_what_it_is_built_from(ask):
    page = ask(f"/{TOKEN}/").content.decode()
    assert "<b>Wagtail" not in page
    setup = json.loads(page.split('id="setup">')[1].split("</script>")[0])
    assert setup["drivers"] == ["<b>Wagtail</b>", "Dipper 8"]
    assert setup["start"]["values"] == {"qtc": 0.707}


def test_a_state_is_answered_or_refused_in_one_sentence(ask):
    shown = json.loads(ask(f"/{TOKEN}/show", STATE).content)
    assert [one["name"] for one in shown["drivers"]] == ["<b>Wagtail</b>", "Dipper 8"]
    # Curves are base64 of 32-bit floats, as the page's script reads them.
    hz, level = (
        np.frombuffer(base64.b64decode(text), "<f4")
        for text in (shown["frequency_hz"], shown["drivers"][0]["curves"]["spl_db"])
    )
    one = ClosedPlan(qtc=0.8).build(DRIVERS[0].driver)
    assert level == pytest.approx(one.at(hz.astype(float)).spl_db, rel=1e-6)
    for text, word in (('{"kind": "closed", "values": {"qtc": 0.1}}', "Qtc"), ("{", "JSON"), ("\x00\xff", "JSON")):
        refused = ask(f"/{TOKEN}/show", text.encode("latin-1"))
        assert refused.status == 422
        assert word in json.loads(refused.content)["refused"]
    assert ask(f"/{TOKEN}/show", "x" * 200_000).status == 413
    assert ask(f"/{TOKEN}/show").status == 405


def test_what_is_taken_is_handed_over_and_not_written(ask, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for what, name in (
        ("box", "box-2.toml"),
        ("report", "box.html"),
        ("boards", "boards.html"),
        ("commands", "commands.txt"),
    ):
        taken = ask(f"/{TOKEN}/take/{what}?driver=1", STATE)
        assert taken.headers["content-disposition"] == f'attachment; filename="{name}"'
        assert taken.content
    for path in ("take/../../etc/passwd", "take/nothing", "take/box?driver=2", "take/box?driver=-1"):
        assert ask(f"/{TOKEN}/{path}", STATE).status == 404
    assert ask(f"/{TOKEN}/take/coefficients", STATE).status == 422
    assert list(tmp_path.iterdir()) == []


def test_moves_leave_nothing_behind():
    """Objects that Python keeps; TSFIT_MOVES=10000 turns as often as somebody does in days."""

    def kept(moves):
        for k in range(moves):
            to_text(show(PageState(kind="vented", values={"volume_l": 30.0 + k, "tuning_hz": 31.0}), DRIVERS))
        gc.collect()
        return len(gc.get_objects())

    before = kept(3)
    assert kept(MOVES) - before < 50


@pytest.fixture
def served(monkeypatch):
    """Give a server that is quick to notice that a page is closed."""
    monkeypatch.setattr(server, "BEAT_S", 0.1)
    monkeypatch.setattr(server, "GRACE_S", 0.5)
    with serving() as found:
        yield found


def test_it_listens_to_this_computer_alone_and_every_token_is_new(served):
    one, _ = served
    assert one.address.startswith("http://127.0.0.1:")
    assert len(one.token) >= 32
    other = Served(TRIAL)
    other.stop()
    assert other.token != one.token
    with urllib.request.urlopen(one.address) as answer:
        assert b"Dipper 8" in answer.read()


def test_it_ends_when_the_last_page_is_closed(served):
    one, thread = served
    first, second = (urllib.request.urlopen(f"{one.address}presence") for _ in range(2))
    first.close()
    time.sleep(1.2)
    assert thread.is_alive()
    second.close()
    thread.join(10.0)
    assert not thread.is_alive()
