"""Secrets from where their references point. They stay in memory and are never written."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import keyring
import keyring.errors

from migrate.model.problems import Problem, SecretTrouble
from migrate.model.secrets import Redactor, Secret, SecretRef

MAX_OCTETS = 4096


def _no_person(words: str) -> str:
    raise SecretTrouble(
        Problem(
            f"a secret must be asked for ({words}), but nobody is at the keyboard",
            "name an environment variable, a file or a keyring entry instead of prompt",
        )
    )


class SecretReader:
    """Resolves references, each once. `ask` asks the person without showing what is typed."""

    def __init__(self, ask: Callable[[str], str] = _no_person) -> None:
        self._ask = ask
        self._known: dict[SecretRef, Secret] = {}

    def resolve(self, ref: SecretRef) -> Secret:
        """The secret. Raises SecretTrouble, whose words tell the place and never the secret."""
        if ref not in self._known:
            text = self._read(ref)
            if not text:
                raise _trouble(ref, "is empty", "give the secret")
            if len(text.encode("utf-8", "replace")) > MAX_OCTETS:
                raise _trouble(ref, f"is longer than {MAX_OCTETS} octets", "give it alone")
            if not _is_unicode(text):
                raise _trouble(ref, "is not UTF-8 text", "save it as UTF-8")
            self._known[ref] = Secret(text)
        return self._known[ref]

    def redactor(self, ssids: tuple[str, ...] = ()) -> Redactor:
        """Takes every secret resolved so far out of text, also as PSK for these SSIDs."""
        redactor = Redactor()
        redactor.learn(self._known.values(), ssids)
        return redactor

    def _read(self, ref: SecretRef) -> str:
        if ref.env is not None:
            if not (text := os.environ.get(ref.env, "")):
                raise _trouble(ref, "is not set", f"export {ref.env} before you call migrate")
            return text
        if ref.file is not None:
            return _from_file(ref, Path(ref.file))
        if ref.keyring is not None:
            return _from_keyring(ref, *ref.keyring.split("/", 1))
        try:
            return self._ask(ref.prompt or "secret")
        except EOFError:
            raise _trouble(ref, "was not given", "type it, then Enter") from None


def _is_unicode(text: str) -> bool:
    # Octets of the environment that are no UTF-8 arrive as lone surrogates (PEP 383).
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _from_file(ref: SecretRef, path: Path) -> str:
    try:
        with path.open("rb") as file:
            mode = os.fstat(file.fileno()).st_mode
            if mode & 0o077:
                raise _trouble(
                    ref,
                    f"can be read by others (mode {mode & 0o777:04o})",
                    f"chmod 600 {path.name}; and change the secret if others use this machine",
                )
            octets = file.read(MAX_OCTETS + 1)
    except OSError as error:
        raise _trouble(ref, f"cannot be read: {error.strerror}", "correct the path") from None
    except ValueError:
        raise _trouble(ref, "cannot be read: no such path can be", "correct the path") from None
    if len(octets) > MAX_OCTETS:
        raise _trouble(ref, f"is longer than {MAX_OCTETS} octets", "it holds the secret alone")
    try:
        # A byte order mark that an editor put in front is no part of the secret.
        text = octets.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise _trouble(ref, "is not UTF-8 text", "save it as UTF-8") from None
    # Editors end a file with a line end; a passphrase cannot contain one.
    text = text.removesuffix("\n").removesuffix("\r")
    if not text:
        raise _trouble(ref, "is empty", "write the secret into it")
    return text


def _from_keyring(ref: SecretRef, service: str, user: str) -> str:
    try:
        text = keyring.get_password(service, user)
    except (keyring.errors.KeyringError, OSError, RuntimeError):
        # Backends let errors of their own through; none of their words are needed.
        raise _trouble(ref, "cannot be read", "unlock the key store, or use a file") from None
    if not text:
        raise _trouble(ref, "does not exist", f"keyring set {service} {user}")
    return text


def _trouble(ref: SecretRef, what: str, remedy: str) -> SecretTrouble:
    return SecretTrouble(Problem(f"the {ref} {what}", remedy))
