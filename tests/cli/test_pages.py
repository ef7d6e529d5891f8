"""Asking for a page on the command line: what cannot be served is told before anything is begun."""

from __future__ import annotations

import json
import shutil
import socket
from contextlib import closing
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from migrate.cli.page import Follower
from migrate.cli.pages import KEPT, kept
from migrate.journal.store import Journal
from migrate.model.problems import Exit
from migrate.ports.sockets import now
from migrate.views.page.live import LivePage
from migrate.views.web.place import Place

from ..views.page.made import plan_of
from .paper import Paper

OTHER = {"cellar-pump": "cellar", "yard-light": "yard"}
KEY = "0123456789abcdef" * 4


@pytest.mark.parametrize(
    ("at", "words"),
    [
        ("0.0.0.0", "every address of this machine"),
        ("localhost", "a name is not enough"),
        ("192.0.2.77", "not an address of this machine"),
        ("127.0.0.1:99999", "above 65535"),
    ],
)
def test_no_run_is_begun_for_a_page_that_cannot_be(paper: Paper, at: str, words: str) -> None:
    assert paper.plan().code == 0
    ended = paper.cli("run", paper.plan_file, "--page-at", at, "--state", paper.state)
    assert ended.code == Exit.PAGE
    assert words in " ".join(ended.err.split())
    assert "what to do: " in ended.err
    assert not paper.state.exists()


def test_a_port_that_is_taken(paper: Paper) -> None:
    assert paper.plan().code == 0
    with socket.create_server(("127.0.0.1", 0)) as other:
        at = f"127.0.0.1:{other.getsockname()[1]}"
        ended = paper.cli("run", paper.plan_file, "--page-at", at, "--state", paper.state)
    assert ended.code == Exit.PAGE
    assert f"http://{at}/" in ended.err
    assert not paper.state.exists()


def test_a_page_of_no_run(paper: Paper) -> None:
    ended = paper.cli("page", "--state", paper.state)
    assert ended.code == Exit.BAD_FILE
    assert "there is no run yet" in ended.err
    assert paper.cli("page", "--at", "0.0.0.0", "--state", paper.state).code == Exit.PAGE


def test_a_journal_that_was_mended_is_followed_on(tmp_path: Path) -> None:
    """Another file has then taken the place of the one that was damaged."""
    path = tmp_path / "run" / "journal.sqlite3"
    plan = plan_of()
    with closing(Journal.create(path, plan, now, {})) as journal:
        journal.remark("gate open", "wave 1", 0)
    with closing(Follower(path, None)) as follower:
        live = LivePage(follower.scene, "run", now, follows=True)
        follower.look(live)
        assert follower.scene.waves[1].gate == ""
        shutil.copy(path, tmp_path / "other")
        (tmp_path / "other").replace(path)
        with closing(Journal.open(path, now)) as journal:
            journal.remark("gate shut", "hall-lamp", 1)
        follower.look(live)
        assert follower.scene.waves[1].gate == "shut by hall-lamp"
        with closing(Journal.create(tmp_path / "of-another" / path.name, plan_of(OTHER), now, {})):
            pass
        (tmp_path / "of-another" / path.name).replace(path)
        follower.look(live)  # that of another run: it is not taken for this one
        follower.look(live)
        assert follower.scene.waves[1].gate == "shut by hall-lamp"
        path.unlink()
        follower.look(live)  # gone: what was seen last stays in the picture
        assert follower.scene.waves[1].gate == "shut by hall-lamp"


def test_where_it_was_is_known_again(tmp_path: Path) -> None:
    assert kept(tmp_path) == (None, [])
    place = {"address": "127.0.0.1", "port": 8181, "keys": [KEY]}
    (tmp_path / KEPT).write_text(json.dumps(place), encoding="utf-8")
    assert kept(tmp_path) == (Place(ip_address("127.0.0.1"), 8181), [KEY])


JSON: st.SearchStrategy[Any] = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner),
    max_leaves=5,
)


@given(
    st.one_of(
        st.binary(max_size=30),
        st.fixed_dictionaries(
            {
                "address": JSON | st.sampled_from(["127.0.0.1", "::1", "0.0.0.0", "fe80::1%x"]),
                "port": JSON | st.sampled_from([0, 80, 65536, "80", 1e400]),
                "keys": JSON | st.lists(JSON | st.just(KEY), max_size=3),
            }
        ).map(lambda told: json.dumps(told).encode()),
    )
)
def test_a_file_that_was_spoiled_is_as_good_as_none(
    tmp_path_factory: pytest.TempPathFactory, octets: bytes
) -> None:
    folder = tmp_path_factory.getbasetemp()
    (folder / KEPT).write_bytes(octets)
    place, keys = kept(folder)
    assert place is None or (0 < place.port < 65536 and not place.address.is_unspecified)
    assert set(keys) <= {KEY}
