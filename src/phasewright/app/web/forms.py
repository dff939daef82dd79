"""What every form needs: the words it sends, the file behind it, and whether that was changed meanwhile."""

from __future__ import annotations

import hashlib
import json
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request

from phasewright.app.web.shelf import Place


def given_words(request: Request) -> dict[str, Any]:
    """Return what a form sends; raises HTTPException for anything but an object of texts."""
    try:
        words = json.loads(request.scope["phasewright.body"] or b"{}")
    except (ValueError, RecursionError):
        raise HTTPException(400) from None
    if not isinstance(words, dict) or any(not isinstance(value, str) for value in words.values()):
        raise HTTPException(400)
    return words


def text_of(place: Place, name: str) -> str:
    """Return the text of a campaign's file as it is on disk, '' where it cannot be read."""
    try:
        return (place.folder / name).read_bytes().decode("utf-8").replace("\r\n", "\n")
    except (OSError, UnicodeDecodeError):
        return ""


def mark_of(text: str) -> str:
    """Return a short digest that tells whether a file was changed meanwhile."""
    return hashlib.sha256(text.encode()).hexdigest()[:16]
