"""A secret never prints, whatever prints it; a reference says where it is, never what it is."""

from __future__ import annotations

import copy
import io
import json
import logging
import pickle
import traceback
from dataclasses import asdict, dataclass
from pathlib import Path

import pytest
from pydantic import ValidationError

from migrate.model.secrets import MASK, Secret, SecretRef

TEXT = "correct horse battery"


@dataclass(frozen=True)
class Holder:
    name: str
    secret: Secret


def test_only_reveal_gives_the_text() -> None:
    assert Secret(TEXT).reveal() == TEXT


@pytest.mark.parametrize(
    "printed",
    [
        str(Secret(TEXT)),
        repr(Secret(TEXT)),
        f"{Secret(TEXT)}",
        f"{Secret(TEXT)!r}",
        f"{Secret(TEXT)!s:>40}",
        f"{Secret(TEXT):>40}",
        f"{Secret(TEXT):.4}",
        "{}".format(Secret(TEXT)),  # noqa: UP032 - str.format itself is on trial
        "%s %r" % (Secret(TEXT), Secret(TEXT)),  # noqa: UP031 - and so is the percent sign
        str([Secret(TEXT)]),
        str({"key": Secret(TEXT)}),
        str(Holder("plug", Secret(TEXT))),
        json.dumps({"key": Secret(TEXT)}, default=str),
        json.dumps({"key": Secret(TEXT)}, default=repr),
        str(dir(Secret(TEXT))),
    ],
)
def test_printing_gives_the_mask(printed: str) -> None:
    assert not any(part in printed for part in TEXT.split())


def test_json_without_a_default_refuses() -> None:
    with pytest.raises(TypeError) as trouble:
        json.dumps({"key": Secret(TEXT)})
    assert TEXT not in str(trouble.value)


def test_logging_gives_the_mask() -> None:
    stream = io.StringIO()
    logger = logging.Logger("trial")
    logger.addHandler(logging.StreamHandler(stream))
    logger.error("given %s and %r", Secret(TEXT), {"key": Secret(TEXT)})
    assert MASK in stream.getvalue()
    assert TEXT not in stream.getvalue()


def test_a_traceback_with_all_local_values_gives_the_mask() -> None:
    def falls(secret: Secret) -> None:
        raise RuntimeError(f"with {secret}")

    try:
        falls(Secret(TEXT))
    except RuntimeError as error:
        trace = traceback.TracebackException.from_exception(error, capture_locals=True)
        printed = "".join(trace.format())
    # The line that called is source text of this file; the values are what matters.
    assert f"secret = Secret({MASK})" in printed
    assert TEXT not in printed


@pytest.mark.parametrize("protocol", range(pickle.HIGHEST_PROTOCOL + 1))
def test_pickling_is_refused(protocol: int) -> None:
    with pytest.raises(TypeError, match="not written down"):
        pickle.dumps(Holder("plug", Secret(TEXT)), protocol)


def test_copies_are_refused_too() -> None:
    with pytest.raises(TypeError, match="not written down"):
        copy.deepcopy(Secret(TEXT))
    with pytest.raises(TypeError, match="not written down"):
        copy.copy(Secret(TEXT))
    with pytest.raises(TypeError, match="not written down"):
        asdict(Holder("plug", Secret(TEXT)))


def test_secrets_have_no_dictionary_of_attributes() -> None:
    assert not hasattr(Secret(TEXT), "__dict__")


def test_equality_is_by_text_and_never_with_text() -> None:
    assert Secret(TEXT) == Secret(TEXT)
    assert hash(Secret(TEXT)) == hash(Secret(TEXT))
    assert Secret(TEXT) != Secret(TEXT + " ")
    assert Secret(TEXT) != TEXT


def test_references() -> None:
    base = {"base": Path("home")}
    assert str(SecretRef(env="NEW_WIFI")) == "environment variable NEW_WIFI"
    assert SecretRef.model_validate({"file": "wifi.secret"}, context=base).file == str(
        Path("home") / "wifi.secret"
    )
    elsewhere = str(Path("wifi.secret").absolute())
    assert SecretRef.model_validate({"file": elsewhere}, context=base).file == elsewhere
    assert str(SecretRef(keyring="home/wifi")) == "keyring entry home/wifi"
    assert str(SecretRef(prompt="New passphrase")) == "asked for (New passphrase)"


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({}, "exactly one"),
        ({"env": ""}, "exactly one"),
        ({"env": "A", "file": "b"}, "exactly one"),
        ({"keyring": "home"}, "service/user"),
        ({"keyring": "/user"}, "service/user"),
        ({"keyring": "home/"}, "service/user"),
        ({"text": "x"}, "Extra inputs"),
        ({"env": 5}, "valid string"),
        (TEXT, "stands here as text"),
        # The name is shown in plans, so a secret must not pass for one.
        ({"env": TEXT}, "not the name of an environment variable"),
        ({"env": "9LIVES"}, "not the name of an environment variable"),
    ],
)
def test_references_that_are_none(given: object, words: str) -> None:
    with pytest.raises(ValidationError) as trouble:
        SecretRef.model_validate(given)
    assert words in str(trouble.value)
    assert TEXT not in str(trouble.value)
