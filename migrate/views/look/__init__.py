"""One look for page, report and sheets: colours, type, and how their templates are filled in."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib.resources import files

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

from migrate.views.lines import harmless


def style(package: str, name: str) -> str:
    """The base style followed by a view's own, `name` in `package`."""
    own = (files(package) / name).read_text("utf-8")
    return f"{files(__name__).joinpath('base.css').read_text('utf-8')}\n{own}"


@cache
def templates(package: str) -> Environment:
    """Templates of a view, in its folder `templates`, and the parts that several have alike, in
    this package's. Whatever is filled in is text, never markup,
    without characters that do not print; a name that a template lacks is a mistake."""
    return Environment(
        loader=ChoiceLoader([PackageLoader(package), PackageLoader(__name__)]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=lambda value: harmless(value, keep="\n") if type(value) is str else value,
    )


def file_policy(css: str) -> str:
    """The content security policy of a page that is a file: this style, and nothing else at all."""
    return f"default-src 'none'; style-src {hash_of(css)}; base-uri 'none'; form-action 'none'"


def hash_of(content: str) -> str:
    """How a content security policy names an inline style: its SHA-256 in base64 (W3C Content
    Security Policy Level 3, 2.3.1)."""
    digest = hashlib.sha256(content.encode()).digest()
    return f"'sha256-{base64.b64encode(digest).decode()}'"
