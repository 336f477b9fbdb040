"""Keeping one check: from a photo's file and its answer to a record's number, in one call.

The photo's bytes are cleaned of personal metadata before they are kept, and the hash of the
file as it came is kept beside them, so that the same photo is known again. Names of order,
client and maker are taken as given, without control characters and blanks around them;
stage and closure are those of the request. The overlay is kept as a file of its own. Then
the store writes the record (store.py says in which order, and why it is whole or absent).
Given a folder, the store in it is opened and closed again; given a store, it stays open.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from placecheck.records.model import NewRecord, kept_name, now_text, order_name
from placecheck.records.photos import RecordsProblem
from placecheck.records.store import Store, open_store


def save_check(
    home: Path | Store,
    photo: Path | bytes,
    answer_json: Mapping[str, Any],
    request_json: Mapping[str, Any],
    overlay_png: bytes | None = None,
    **named: Any,
) -> int:
    """Keep one check whole and return the record's number.

    `home` is the folder of records and settings, or an open Store; the rest is new_record's. Raises RecordsProblem or
    UnusableFile with one sentence; whatever happens, the record is whole or absent.
    """
    store = home if isinstance(home, Store) else open_store(home)
    try:
        return store.add(new_record(store, photo, answer_json, request_json, overlay_png, **named))
    finally:
        if store is not home:
            store.close()


def new_record(
    store: Store,
    photo: Path | bytes,
    answer_json: Mapping[str, Any],
    request_json: Mapping[str, Any],
    overlay_png: bytes | None = None,
    *,
    order: str | None = None,
    client: str | None = None,
    maker: str | None = None,
    stage: str | None = None,
    profile: Mapping[str, Any] | None = None,
    created_at: str | None = None,
    origin: str = "check",
    note: str | None = None,
    checked_sha256: str | None = None,
) -> NewRecord:
    """A record for the store to add, its photo and overlay in the store's folder already.

    `photo` is the original file, whose bytes are cleaned of personal metadata before they are kept. `overlay_png` may
    be JPEG too. Where the file no longer has the bytes that were checked, whose SHA-256 is `checked_sha256`, it is not
    kept. Raises RecordsProblem or UnusableFile.
    """
    from placecheck import __version__
    from placecheck.photo import read_bytes

    data = photo if isinstance(photo, bytes) else read_bytes(photo)
    sha256 = hashlib.sha256(data).hexdigest()
    if checked_sha256 not in (None, sha256):
        raise RecordsProblem("photo-changed", "The photo's file has changed since it was checked: check it again.")
    return NewRecord(
        answer=answer_json,
        request=request_json,
        created_at=created_at or now_text(),
        order_ref=order_name(order),
        client=kept_name(client),
        maker=kept_name(maker),
        stage=stage or str(request_json.get("stage") or "pinned"),
        closure=_closure_label(request_json),
        profile=profile,
        program_version=__version__,
        origin=origin,
        note=note,
        photo=store.put_photo(data),
        original_sha256=sha256,
        overlay=store.put_picture(overlay_png) if overlay_png is not None else None,
    )


def _closure_label(request_json: Mapping[str, Any]) -> str:
    closure = request_json.get("closure")
    if isinstance(closure, Mapping):
        return str(closure.get("label") or "")
    return str(closure or "")
