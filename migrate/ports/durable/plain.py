"""Nothing but JSON is ever read from the store.

DBOS also knows Python's own form of objects, which whoever can write to a row could use to run code
where the row is read: a stolen worker's account at the desk of whoever runs the campaign, or a
stolen database at every site. Nothing of migrate is written in that form, and here it is not read.
"""

from __future__ import annotations

from typing import Any, Final, NoReturn

from dbos import DBOSPortableJSONSerializer
from dbos._serialization import DBOSDefaultSerializer

JSON: Final = DBOSPortableJSONSerializer()


class NotPlain(ValueError):
    """A row holds something that is not JSON."""


def _refuse(*_: Any, **__: Any) -> NoReturn:
    raise NotPlain("is not JSON, and is not read")


def read_json_only() -> None:
    """From here on, in this process. DBOS has no option for it."""
    DBOSDefaultSerializer.deserialize = _refuse  # type: ignore[method-assign]
