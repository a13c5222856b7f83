"""What a browser sends: fields of a form and files, read from bytes that are bounded before."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from email.message import Message
from urllib.parse import parse_qsl

from pipeline.errors import UsageError

__all__ = ["Sent", "read_query", "read_sent"]

_MOST_FIELDS = 200


@dataclass(frozen=True, slots=True)
class Sent:
    """Fields and files of a form; of a name sent twice the first one."""

    fields: dict[str, str] = field(default_factory=dict)
    files: dict[str, tuple[str, bytes]] = field(default_factory=dict)
    """Name and bytes by field."""


def read_query(text: str) -> dict[str, str]:
    """Return the fields of a query, or of a form of that kind.

    Raises
    ------
    UsageError
        If it holds more fields than any form has.
    """
    try:
        pairs = parse_qsl(text, keep_blank_values=True, max_num_fields=_MOST_FIELDS, errors="replace")
    except ValueError:
        raise UsageError("More fields were sent than any form has.") from None
    return dict(reversed(pairs))


def read_sent(kind: str, body: bytes) -> Sent:
    """Read a body by its content type.

    Raises
    ------
    UsageError
        If it is of no kind that a form has, or does not keep to it.
    """
    message = Message()
    message["content-type"] = kind
    if message.get_content_type() == "multipart/form-data":
        boundary = message.get_param("boundary")
        if not isinstance(boundary, str) or not 1 <= len(boundary) <= 200 or not boundary.isascii():
            raise UsageError("The form was sent without the mark that parts its fields.")
        return _parts(body, boundary.encode())
    if message.get_content_type() == "application/x-www-form-urlencoded":
        return Sent(read_query(body.decode("ascii", "replace")))
    raise UsageError("Only forms are taken here.")


_NAME = re.compile(rb'[;\s]name="([^"]*)"', re.IGNORECASE)
_FILE = re.compile(rb'[;\s]filename="([^"]*)"', re.IGNORECASE)


def _parts(body: bytes, boundary: bytes) -> Sent:
    """Split a body as RFC 7578 has it: no part holds the boundary, so nothing need be read within one."""
    sent = Sent()
    pieces = (b"\r\n" + body).split(b"\r\n--" + boundary)
    if len(pieces) < 2 or pieces[0].strip() or not pieces[-1].startswith(b"--") or len(pieces) > _MOST_FIELDS:
        raise UsageError("The form did not arrive whole. Send it again.")
    for piece in pieces[1:-1]:
        head, mark, content = piece.partition(b"\r\n\r\n")
        name = _NAME.search(head)
        if not mark or name is None:
            raise UsageError("A field of the form has no name.")
        key, file = name[1].decode("utf-8", "replace"), _FILE.search(head)
        if file is None:
            sent.fields.setdefault(key, content.decode("utf-8", "replace"))
        else:
            sent.files.setdefault(key, (file[1].decode("utf-8", "replace"), content))
    return sent
