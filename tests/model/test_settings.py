"""The neutral settings: names, kinds, groups, and how a value is shown."""

from __future__ import annotations

from collections import Counter

from migrate.model.secrets import MASK, Secret, SecretRef
from migrate.model.settings import DEPENDENT, FLAGS, NUMBERS, SECRETS, Setting, shown


def test_every_setting_is_in_exactly_one_group() -> None:
    counts = Counter(setting for group in DEPENDENT for setting in group)
    assert set(counts) == set(Setting)
    assert set(counts.values()) == {1}


def test_every_secret_travels_with_what_it_opens() -> None:
    # Common practice, no source: a name sent without its key strands the device.
    for group in DEPENDENT:
        secrets = [setting for setting in group if setting in SECRETS]
        assert not secrets or len(group) > len(secrets)
    assert {s for s in Setting if s.endswith(("secret", "password"))} == SECRETS


def test_kinds_do_not_overlap() -> None:
    assert len(SECRETS | NUMBERS | FLAGS) == len(SECRETS) + len(NUMBERS) + len(FLAGS)


def test_shown() -> None:
    assert shown("new-net") == "new-net"
    assert shown("") == "(none)"
    assert shown(1883) == "1883"
    assert (shown(True), shown(False)) == ("yes", "no")
    assert shown(Secret("correct horse battery")) == MASK
    assert shown(SecretRef(env="NEW")) == f"{MASK} from environment variable NEW"
