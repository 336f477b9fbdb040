"""Backup, verify, export, reports, recheck, demo and the quality page, from real stores with real pictures."""

from __future__ import annotations

import base64
import csv
import io
import json
import re
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Literal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from records_shop import REQUEST, answer, jpeg, tree
from test_profiles import profile as lens

from placecheck.answer import JUDGED, MEASURE_BY_NAME, MEASURES, Estimate, Measured
from placecheck.errors import PlacecheckError, UnusableFile, UsageProblem
from placecheck.marks import Marks
from placecheck.one_photo import answer_for
from placecheck.page import books
from placecheck.profiles.kept import as_json
from placecheck.quality.stream import Habit, habit_sentence
from placecheck.records import tallies, whole_tables
from placecheck.records.backup import restore_backup, write_backup
from placecheck.records.compare import compare
from placecheck.records.database import FILE_NAME
from placecheck.records.demo import fill_with_demo
from placecheck.records.earlier import earlier_photo
from placecheck.records.export import csv_header, csv_lines, jsonl_lines, safe_text
from placecheck.records.model import PART, Filter
from placecheck.records.overview import fault_words, help_sentence, overview, yield_words
from placecheck.records.photos import RecordsProblem, write_atomically
from placecheck.records.recheck import check_kept, differences, recheck, recheck_record
from placecheck.records.report import (
    change_rows,
    order_report,
    rows_of,
    small_jpeg,
)
from placecheck.records.report_files import order_html, order_pdf, quality_html
from placecheck.records.request_json import from_json, to_json, unknown_fields
from placecheck.records.saving import save_check
from placecheck.records.store import Store
from placecheck.records.verify import remove_orphans, verify
from placecheck.request import CheckRequest
from placecheck.sheets.pdf_page import fallback_font
from placecheck.tolerances import Tolerances
from placecheck.units import parse_closure


@pytest.fixture
def store(tmp_path):
    with Store(tmp_path / "home") as opened:
        yield opened


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    """The demo season, made once."""
    with Store(tmp_path_factory.mktemp("season")) as opened:
        fill_with_demo(opened, datetime(2026, 9, 1, tzinfo=UTC))
        yield opened


# ----------------------------------------------------------------------------- backup and restore


def test_backup_brings_everything_back(store, tmp_path):
    for i in range(6):
        save_check(store, jpeg(i), answer(offset_mm=i / 3), REQUEST, jpeg(i + 20, exif=False), order=f"Ö{i}", note="ñ")
    (store.home / "settings.toml").write_text('[check]\nmaker = "Ada"\n')
    (store.home / "orders").mkdir()
    (store.home / "orders" / "0001.r001.json").write_text("{}")
    (store.home / "page").mkdir()
    (store.home / "page" / "sessions.json").write_text("secret")
    done = write_backup(store, tmp_path / "shop.zip")
    assert (done.records, done.files, done.settings, done.lost) == (6, 12, 2, ())
    with Store(tmp_path / "new") as new:
        back = restore_backup(new, tmp_path / "shop.zip")
        assert (back.records, back.files, back.settings) == (6, 12, 2)
        assert list(new.each()) == list(store.each())
        assert verify(new).troubles == ()
        assert tree(new.photos.root) == tree(store.photos.root)
        assert (new.home / "settings.toml").read_text() == '[check]\nmaker = "Ada"\n'
        assert (new.home / "orders" / "0001.r001.json").exists()
        assert not (new.home / "page").exists()
    # any program opens it (PKWARE's APPNOTE; Python's zipfile stands in for one), and its members are as it says
    with zipfile.ZipFile(tmp_path / "shop.zip") as archive:
        assert archive.testzip() is None
        rows = [json.loads(line) for line in archive.read("tables/record.jsonl").splitlines()]
        assert [r["order_ref"] for r in rows] == [f"Ö{i}" for i in range(6)]


def test_backup_is_never_written_over_unasked(store, tmp_path):
    save_check(store, jpeg(1), answer(), REQUEST)
    target = tmp_path / "shop.zip"
    target.write_text("something else")
    with pytest.raises(UsageProblem, match="there already"):
        write_backup(store, target)
    assert target.read_text() == "something else"
    write_backup(store, target, replace=True)
    assert zipfile.is_zipfile(target)


def test_backup_goes_on_without_a_photo_that_is_lost(store, tmp_path):
    numbers = [save_check(store, jpeg(i), answer(), REQUEST) for i in range(2)]
    lost = store.get(numbers[0]).photo
    store.photos.remove(lost.sha256, lost.ending)
    assert write_backup(store, tmp_path / "shop.zip").lost == (f"photos/{lost.sha256}.jpg",)
    with Store(tmp_path / "new") as new:
        assert restore_backup(new, tmp_path / "shop.zip").records == 2
        assert [t.kind for t in verify(new).troubles] == ["missing"]


def test_settings_that_are_there_stay(store, tmp_path):
    (store.home).mkdir()
    (store.home / "settings.toml").write_text("# old\n")
    write_backup(store, tmp_path / "shop.zip")
    with Store(tmp_path / "new") as new:
        new.home.mkdir()
        (new.home / "settings.toml").write_text("# mine\n")
        back = restore_backup(new, tmp_path / "shop.zip")
        assert (back.settings, back.left) == (0, ("settings.toml",))
        assert (new.home / "settings.toml").read_text() == "# mine\n"


def test_a_setting_that_cannot_be_brought_back_costs_no_record(store, tmp_path, monkeypatch):
    """Unreadable: nothing is brought back. Not writable any more: no record is, and the same restore goes through."""
    save_check(store, jpeg(1), answer(), REQUEST)
    (store.home / "blocks").mkdir()
    (store.home / "blocks" / "Elm.json").write_text("{}")
    (store.home / "settings.toml").write_text("# old\n")
    write_backup(store, tmp_path / "shop.zip")
    with Store(tmp_path / "new") as new:
        there = new.home / "blocks" / "Elm.json"
        there.mkdir(parents=True)
        with pytest.raises(RecordsProblem, match=r"Elm\.json cannot be read .*nothing was brought back: move it away"):
            restore_backup(new, tmp_path / "shop.zip")
        assert (new.count(), list(new.photos.files())) == (0, [])
        assert not (new.home / "settings.toml").exists()
        there.rmdir()

        def full(path, data):
            if path.name == "settings.toml":
                raise RecordsProblem("disk-full", "The disk is full: free some space.")
            write_atomically(path, data)

        with monkeypatch.context() as patched:
            patched.setattr("placecheck.records.backup.write_atomically", full)
            with pytest.raises(RecordsProblem, match="disk is full"):
                restore_backup(new, tmp_path / "shop.zip")
        assert new.count() == 0
        back = restore_backup(new, tmp_path / "shop.zip")
        assert (back.records, back.files, back.settings, back.left) == (1, 1, 1, ())
        assert (there.read_text(), (new.home / "settings.toml").read_text()) == ("{}", "# old\n")


def test_another_order_of_the_same_number_stops_the_restore(store, tmp_path):
    """Records would hang on somebody else's order; the same order, or an earlier state of it, stops nothing."""
    save_check(store, jpeg(1), answer(), REQUEST, order="0001")
    orders = store.home / "orders"
    orders.mkdir()
    for revision in (1, 2):
        (orders / f"0001.r00{revision}.json").write_text(f'{{"alias": "Ada", "revision": {revision}}}')
    write_backup(store, tmp_path / "shop.zip")
    for alias, stopped in (("Bo", True), ("Ada", False)):
        with Store(tmp_path / alias) as new:
            (new.home / "orders").mkdir(parents=True)
            there = new.home / "orders" / "0001.r001.json"
            there.write_text(f'{{"alias": "{alias}", "revision": 1}}')
            if stopped:
                with pytest.raises(
                    RecordsProblem, match=r"other orders under the backup's numbers \(0001\.r001\.json\)"
                ):
                    restore_backup(new, tmp_path / "shop.zip")
                assert new.count() == 0
                assert tree(new.home / "orders") == {"0001.r001.json": there.read_bytes()}
                assert list(new.photos.files()) == []
            else:
                back = restore_backup(new, tmp_path / "shop.zip")
                assert (back.records, back.settings, back.left) == (1, 1, ())


def rewritten(source: Path, target: Path, change: dict[str, bytes | None]) -> Path:
    """A copy of a ZIP with members replaced, or (None) left out."""
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target, "w") as new:
        for name in old.namelist():
            if change.get(name, b"") is not None:
                new.writestr(name, change.get(name) or old.read(name))
    return target


def test_damaged_backups_bring_back_nothing(store, tmp_path):
    for i in range(3):
        save_check(store, jpeg(i), answer(), REQUEST)
    good = tmp_path / "good.zip"
    write_backup(store, good)
    data = good.read_bytes()
    with zipfile.ZipFile(good) as archive:
        photo = next(n for n in archive.namelist() if n.startswith("photos/"))
        manifest = json.loads(archive.read("manifest.json"))
    cut, junk, other = (tmp_path / n for n in ("cut.zip", "junk.zip", "other.zip"))
    cut.write_bytes(data[: len(data) // 2])
    junk.write_bytes(b"no zip at all")
    with zipfile.ZipFile(other, "w") as archive:
        archive.writestr("readme.txt", "hello")
    newer = {**manifest, "schema": "9999"}
    bad = {
        "cut": cut,
        "junk": junk,
        "other": other,
        "gone": tmp_path / "nowhere.zip",
        "photo altered": rewritten(good, tmp_path / "a.zip", {photo: jpeg(9)}),
        "photo left out": rewritten(good, tmp_path / "b.zip", {photo: None}),
        "rows altered": rewritten(good, tmp_path / "c.zip", {"tables/record.jsonl": b'{"id": 1}\n'}),
        "newer": rewritten(good, tmp_path / "d.zip", {"manifest.json": json.dumps(newer).encode()}),
        "flipped": tmp_path / "flipped.zip",
    }
    at = data.index(b"\xff\xda") + 100  # inside a stored photo
    bad["flipped"].write_bytes(data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :])
    for name, path in bad.items():
        with Store(tmp_path / f"new-{name}") as new:
            with pytest.raises(PlacecheckError) as caught:
                restore_backup(new, path)
            assert caught.value.problem.message.endswith("."), name
            assert new.count() == 0
            assert list(new.photos.files()) == []


def test_a_backup_that_another_program_packed_is_one_sentence(store, tmp_path):
    """With a password, or in a way that Python does not unpack: the marks of PKWARE's APPNOTE, 4.4.4 and 4.4.5."""
    save_check(store, jpeg(1), answer(), REQUEST)
    write_backup(store, tmp_path / "good.zip")
    data = (tmp_path / "good.zip").read_bytes()
    for at_local, at_central, value in ((6, 8, 1), (8, 10, 9)):
        changed = bytearray(data)
        for signature, at in ((b"PK\3\4", at_local), (b"PK\1\2", at_central)):
            found = data.find(signature)
            while found >= 0:
                changed[found + at] = value
                found = data.find(signature, found + 1)
        (tmp_path / "other.zip").write_bytes(changed)
        with Store(tmp_path / "new") as new:
            with pytest.raises(PlacecheckError, match="packed anew by another program"):
                restore_backup(new, tmp_path / "other.zip")
            assert new.count() == 0
    with Store(tmp_path / "new") as new, pytest.raises(PlacecheckError, match="it is no file"):
        restore_backup(new, Path("/dev/zero"))  # which would take all memory before it is no ZIP


def test_what_is_damaged_in_the_database_is_told_by_backup_and_verify(store, tmp_path):
    """A kept file's name that is none any more; then rows that cannot be read, which stop a backup half way."""
    for i in range(60):
        save_check(store, jpeg(i), answer(), REQUEST)
    name = store.get(1).photo.sha256
    with store.database.writing() as connection:
        connection.exec_driver_sql("PRAGMA defer_foreign_keys = ON")
        for table, column in (("kept_file", "sha256"), ("record", "photo_sha256")):
            connection.exec_driver_sql(f"UPDATE {table} SET {column} = ? WHERE {column} = ?", ("z" + name[1:], name))
    troubles = verify(store).troubles
    assert any(t.kind == "database" and f"z{name[1:]}.jpg" in t.what for t in troubles)
    assert write_backup(store, tmp_path / "shop.zip").lost == (f"photos/z{name[1:]}.jpg",)
    with store.database.writing() as connection:
        (text,) = connection.exec_driver_sql("SELECT answer FROM detail WHERE record_id = 2").one()
        connection.exec_driver_sql("UPDATE detail SET answer = x'ff' WHERE record_id = 2")
    with pytest.raises(RecordsProblem, match="are damaged: a row of their table detail"):
        write_backup(store, tmp_path / "again.zip")
    with store.database.writing() as connection:
        connection.exec_driver_sql("UPDATE detail SET answer = ? WHERE record_id = 2", (text,))
    store.close()
    path = store.home / FILE_NAME
    data = bytearray(path.read_bytes())
    pages = [at for at in range(0, len(data), 4096) if data[at] == 0x0D and b"offset_mm" in data[at : at + 4096]]
    for at in pages:  # table leaves whose cells point nowhere (SQLite's file format, 1.6)
        data[at + 8 : at + 40] = b"\xff" * 32
    path.write_bytes(data)
    with pytest.raises(RecordsProblem, match="is damaged"):
        write_backup(store, tmp_path / "again.zip")
    assert not (tmp_path / "again.zip").exists()


def test_members_cannot_leave_the_folder(store, tmp_path):
    import hashlib

    save_check(store, jpeg(1), answer(), REQUEST)
    write_backup(store, tmp_path / "good.zip")
    evil = tmp_path / "evil.zip"
    with zipfile.ZipFile(tmp_path / "good.zip") as old, zipfile.ZipFile(evil, "w") as new:
        manifest = json.loads(old.read("manifest.json"))
        for name in ("settings/../../out.json", "settings//etc/out.json", "photos/../out.jpg", "settings/page/x.py"):
            new.writestr(name, b"{}")
            manifest["members"][name] = hashlib.sha256(b"{}").hexdigest()
        for name in old.namelist():
            new.writestr(name, json.dumps(manifest) if name == "manifest.json" else old.read(name))
    place = tmp_path / "deep" / "er"
    with Store(place) as new_store:
        restore_backup(new_store, evil)
    outside = [p for p in tmp_path.rglob("out.*")]
    assert outside == []
    assert not list(place.rglob("x.py"))


def test_saving_goes_on_during_export_and_backup(tmp_path):
    """Neither holds up a writer, however long it takes; a backup is of the moment it began."""
    with Store(tmp_path) as store, Store(tmp_path, timeout_s=0.3) as bench:
        for i in range(3):
            save_check(store, jpeg(i), answer(), REQUEST)
        lines = csv_lines(store.each())
        assert next(lines).startswith("record,")
        assert next(lines).startswith("1,")
        save_check(bench, jpeg(3), answer(), REQUEST)
        assert len(list(lines)) == 2
        counts = {}
        for table, rows in whole_tables.dump(store.database):
            save_check(bench, jpeg(4 + len(counts)), answer(), REQUEST)
            counts[table] = len(list(rows))
        assert (counts["record"], counts["kept_file"], counts["reading"]) == (4, 4, 12)
        assert bench.count() == 8


# ----------------------------------------------------------------------------- verify


def test_verify_finds_missing_altered_orphaned_and_changed(store):
    numbers = [save_check(store, jpeg(i), answer(), REQUEST, jpeg(i + 9, exif=False)) for i in range(5)]
    assert verify(store).troubles == ()
    missing, altered = (store.get(n).photo for n in numbers[:2])
    store.photos.remove(missing.sha256, missing.ending)
    path = store.photos.path(altered.sha256, altered.ending)
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    orphan = store.photos.path(store.photos.put(b"nobody's", "jpg"), "jpg")
    (store.photos.root / "notes.txt").write_text("mine")
    with store.database.writing() as connection:
        connection.exec_driver_sql(f"UPDATE record SET verdict = 'fix' WHERE id = {numbers[2]}")
        connection.exec_driver_sql(f"UPDATE reading SET value = 9 WHERE record_id = {numbers[3]} AND name = 'skew_deg'")
    found = verify(store)
    assert not found.sound
    kinds = {(t.kind, t.records) for t in found.troubles}
    assert kinds == {
        ("missing", (numbers[0],)),
        ("altered", (numbers[1],)),
        ("changed-record", (numbers[2],)),
        ("changed-record", (numbers[3],)),
        ("orphaned", ()),
    }
    assert len(found.orphans) == 2
    assert remove_orphans(found) == 0  # too young: might be a save under way
    assert remove_orphans(found, settled_s=0) == 1
    assert not orphan.exists()
    assert (store.photos.root / "notes.txt").exists()  # not ours


def test_a_damaged_record_is_named_and_hides_no_other(store):
    """Texts that are no JSON any more, or JSON of something else, and a time that is none."""
    numbers = [save_check(store, jpeg(i), answer(), REQUEST) for i in range(6)]
    bad = {1: "{broken", 2: "[1]", 3: '{"measures": {"offset_mm": {"value": null}}}'}
    with store.database.writing() as connection:
        for number, text in bad.items():
            connection.exec_driver_sql("UPDATE detail SET answer = ? WHERE record_id = ?", (text, number))
        connection.exec_driver_sql("UPDATE detail SET request = '{broken' WHERE record_id = 4")
        connection.exec_driver_sql("UPDATE record SET created_at = 'yesterday' WHERE id = 5")
    found = verify(store)
    assert [(t.kind, t.records) for t in found.troubles] == [("changed-record", (n,)) for n in (1, 2, 3, 4, 5)]
    assert found.records == len(numbers)
    assert sorted(r.id for r in store.each() if not r.digest_holds) == [1, 2, 3, 4, 5]
    assert len(list(csv_lines(store.each()))) == 7
    assert len(list(jsonl_lines(store.each()))) == 7
    not_done = {r.record: r.not_done for r in recheck(store, Filter(), lambda *_: answer())}
    assert {n for n, why in not_done.items() if why and "damaged" in why} == {1, 2, 3, 4}


# ----------------------------------------------------------------------------- export


def test_csv_says_units_in_its_header(store):
    save_check(store, jpeg(1), answer("fix", offset_mm=-4.25), REQUEST, order="=HYPERLINK(1)", maker='Ada "A", B')
    save_check(store, jpeg(2), answer("retake", measures={"offset_mm": None}), REQUEST, order="O2")
    text = "".join(csv_lines(store.each()))
    assert text.count("\r\n") == 3
    rows = list(csv.DictReader(io.StringIO(text)))
    assert rows[0]["offset [mm]"] == "-4.25"
    assert rows[0]["offset U95 [mm]"] == "0.4"
    assert rows[0]["offset state"] == "out"
    assert rows[0]["skew [deg]"] == "-0.2"
    assert rows[0]["order"] == "'=HYPERLINK(1)"  # no formula (OWASP, CSV injection)
    assert rows[0]["maker"] == 'Ada "A", B'
    assert rows[1]["offset [mm]"] == ""
    assert len(csv_header()) == len(set(csv_header()))
    for spec in MEASURE_BY_NAME.values():
        plain = spec.name.removesuffix(f"_{spec.unit}").replace("_", " ")
        at = csv_header().index(f"{plain} [{spec.unit}]")
        assert csv_header()[at + 1] == f"{plain} U95 [{spec.unit}]"
        assert (f"{plain} state" in csv_header()) is spec.judged


def test_csv_has_the_measures_of_every_stage(store):
    """A cap and a seam as they are judged and kept, beside a pinned closure: each in its own columns."""
    cap = Measured({"cap_shift_mm": Estimate(4.25, 0.5), "cap_turn_deg": Estimate(-0.5, 0.25)}, stage="cap")
    spacings = {"mean": 6.5, "smallest": 5.25, "largest": 12.75}
    seam = Measured({f"stitch_spacing_{k}_mm": Estimate(v, 0.25) for k, v in spacings.items()}, stage="stitches")
    for i, measured in enumerate((cap, seam)):
        request = replace(full_request(), stage=measured.stage)
        said = answer_for(measured, request).as_json()
        save_check(store, jpeg(i), said, to_json(request), order="O1", stage=measured.stage)
    save_check(store, jpeg(2), answer(), REQUEST, order="O1")
    rows = {row["stage"]: row for row in csv.DictReader(io.StringIO("".join(csv_lines(store.each()))))}
    assert [rows["cap"][c] for c in ("cap shift [mm]", "cap shift U95 [mm]", "cap shift state")] == [
        "4.25",
        "1.0",
        "out",
    ]
    assert [rows["cap"][c] for c in ("cap turn [deg]", "cap turn U95 [deg]")] == ["-0.5", "0.5"]
    assert rows["cap"]["temple rim [mm]"] == rows["cap"]["offset [mm]"] == rows["cap"]["stitch spacing mean [mm]"] == ""
    assert rows["stitches"]["stitch spacing mean [mm]"] == "6.5"
    assert rows["stitches"]["stitch spacing largest state"] == "out"
    assert rows["pinned"]["cap shift [mm]"] == rows["pinned"]["cap shift state"] == ""
    assert rows["pinned"]["skew [deg]"] == "-0.2"


@given(st.text(max_size=40))
def test_no_cell_begins_a_formula(text):
    assert not safe_text(text).startswith(("=", "+", "-", "@", "\t", "\r"))


def test_json_lines_hold_everything(store):
    said = answer("fix", problems=[{"code": "a", "message": "b\nc “d”."}])
    save_check(store, jpeg(1), said, REQUEST, order="O1", profile={"f": 1})
    lines = [json.loads(line) for line in jsonl_lines(store.each())]
    assert lines[0]["units"] == {spec.name: spec.unit for spec in MEASURE_BY_NAME.values()}
    assert lines[1]["answer"] == said
    assert lines[1]["request"] == REQUEST
    assert lines[1]["profile"] == {"f": 1}
    assert len(lines) == 2


# ----------------------------------------------------------------------------- compare and reports


def test_change_and_its_uncertainty(store):
    a = store.get(save_check(store, jpeg(1), answer(offset_mm=1.0), REQUEST, order="A"))
    b = store.get(save_check(store, jpeg(2), answer(offset_mm=-0.5), REQUEST, order="A", stage="stitched"))
    changes = {c.name: c for c in compare(a, b)}
    assert changes["offset_mm"].change == -1.5
    assert pytest.approx(0.4 * 2**0.5) == changes["offset_mm"].U95
    assert changes["offset_mm"].moved
    assert changes["skew_deg"].moved is False
    c = store.get(save_check(store, jpeg(3), answer(measures={"offset_mm": None}), REQUEST))
    assert {x.name: x.moved for x in compare(a, c)}["offset_mm"] is None
    words = dict((row[0], row[3]) for row in change_rows(a, b))
    assert words["off centre"] == "1.50 ± 0.57 mm left, moved"
    assert words["skew"].endswith("no change the photos can show")


@pytest.mark.parametrize(
    ("name", "more", "less"),
    [
        ("offset_mm", "right", "left"),
        ("back_corner_asymmetry_mm", "right", "left"),
        ("clearance_left_mm", "toward the face", "toward the nape"),
        ("width_front_mm", "more", "less"),
    ],
)
def test_a_change_says_to_which_side(store, name, more, less):
    """The hairline lies 10 mm below the cap's edge, then 12: it went toward the face (README: Read the answer)."""
    reading = {"U95": 0.3, "unit": "mm"}
    a, b = (
        store.get(save_check(store, jpeg(i), answer(measures={name: reading | {"value": mm}}), REQUEST))
        for i, mm in enumerate((10.0, 12.0))
    )
    for pair, change in (((a, b), f"2.00 ± 0.42 mm {more}, moved"), ((b, a), f"2.00 ± 0.42 mm {less}, moved")):
        assert [row[3] for row in change_rows(*pair)] == [change]
    assert change_rows(a, a)[0][3] == "0.00 ± 0.42 mm, no change the photos can show"


def test_every_stage_is_compared_by_its_labels(store):
    """Two photos of a cap, before and after it was slid: as they are called everywhere else."""
    reading = {"value": 5.0, "U95": 1.0, "unit": "mm", "low": -3, "high": 3, "state": "out"}
    numbers = [
        save_check(store, jpeg(i), answer(measures={"cap_shift_mm": reading | {"value": mm}}), REQUEST, stage="cap")
        for i, mm in enumerate((5.0, 1.0))
    ]
    rows = change_rows(*map(store.get, numbers))
    assert [row[::3] for row in rows] == [("cap off the block's middle", "4.0 ± 1.4 mm left, moved")]


class Page(HTMLParser):
    """Text, addresses and images of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.said, self.addresses, self.pictures, self.tags = [], [], [], []
        self.feed(html)

    def handle_starttag(self, tag, attrs):  # type: ignore[no-untyped-def]
        self.tags.append(tag)
        for name, value in attrs:
            if name in ("src", "href", "data", "srcset", "xlink:href"):
                (self.pictures if value.startswith("data:image/jpeg;base64,") else self.addresses).append(value)

    def handle_data(self, data):  # type: ignore[no-untyped-def]
        self.said.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.said).split())


def order_with_history(store: Store) -> None:
    save_check(
        store, jpeg(1, width=900, height=700), answer("fix", offset_mm=-4.25), REQUEST, order="A<17>", client="c & d"
    )
    save_check(store, jpeg(2), answer("retake", measures={}), REQUEST, order="A<17>")
    picture = jpeg(4, exif=False, width=1600, height=1300)
    save_check(store, jpeg(3), answer("pass"), REQUEST, picture, order="A<17>", maker="Łucja")
    save_check(store, jpeg(5), answer("pass", offset_mm=0.9), REQUEST, order="A<17>", stage="stitched")


def test_html_report_is_one_file_that_says_it_all(store):
    order_with_history(store)
    html = order_html(order_report(store, "A<17>"))
    page = Page(html)
    assert page.addresses == []
    assert "script" not in page.tags
    assert "http" not in re.sub(r"data:image/jpeg;base64,[A-Za-z0-9+/=]+", "", html)
    assert len(page.pictures) == 3
    for uri in page.pictures:
        with Image.open(io.BytesIO(base64.b64decode(uri.split(",", 1)[1]))) as picture:
            assert max(picture.size) <= 1200
            assert dict(picture.getexif()) == {}
    assert "<17>" not in html  # escaped
    for words in ("A<17>", "c & d", "Łucja", "PASS: pinned as it should be", "PASS: sits as it should"):
        assert words in page.text, words
    assert "0.40 ± 0.40 mm right" in page.text
    assert "within 3 mm" in page.text
    assert "✓ in" in page.text
    assert "4.25 ± 0.40 mm left" in page.text  # in the history
    assert "From pinned (record 3) to stitched (record 4)" in page.text
    assert page.text.count("retake") >= 1


def test_pdf_report(store):
    pdfium = pytest.importorskip("pypdfium2")
    order_with_history(store)
    data = order_pdf(order_report(store, "A<17>"))
    pdf = pdfium.PdfDocument(data)
    try:
        text = " ".join(page.get_textpage().get_text_range() for page in pdf)
        width, height = pdf[0].get_size()
        assert (width, height) == (pytest.approx(595.28, abs=0.1), pytest.approx(841.89, abs=0.1))  # A4, ISO 216
        shown = np.asarray(pdf[0].render(scale=1).to_numpy())
        assert shown.std() > 20  # pictures are on it
    finally:
        pdf.close()
    flat = " ".join(text.split())
    for words in ("Order A<17>", "Łucja", "PASS: sits as it should", "4.25 ± 0.40 mm left", "History"):
        assert words in flat, words


def test_a_pdf_heading_never_stands_alone_at_the_foot_of_a_page(store):
    pdfium = pytest.importorskip("pypdfium2")
    save_check(store, jpeg(1), answer(), REQUEST, order="7")
    report = order_report(store, "7")
    pages = []
    for lines in range(12, 40):  # wherever the heading comes to stand
        part = replace(report.stages[0], fixes=("Move a pin.",) * lines)
        pdf = pdfium.PdfDocument(order_pdf(replace(report, stages=(part,))))
        texts = [page.get_textpage().get_text_range() for page in pdf]
        pdf.close()
        (at,) = (i for i, text in enumerate(texts) if "History" in text)
        assert "verdict" in texts[at].split("History")[1], lines
        pages.append(at)
    assert set(pages) == {0, 1}


def test_a_pdf_report_has_the_letters_that_a_sheet_has(store):
    """Those its own font lacks are a system font's; what no font has is a question mark."""
    pdfium = pytest.importorskip("pypdfium2")
    save_check(store, jpeg(1), answer("pass"), REQUEST, order="7", client="Kateřina 👩\u200d🦰", maker="Łucja Żak")
    pdf = pdfium.PdfDocument(order_pdf(order_report(store, "7")))
    try:
        text = " ".join(" ".join(page.get_textpage().get_text_range() for page in pdf).split())
    finally:
        pdf.close()
    assert ("Kateřina ??" if fallback_font() else "Kate?ina ??") in text
    assert ("Łucja Żak" if fallback_font() else "Łucja ?ak") in text


def test_reports_say_what_was_taped(store):
    """Where the clearance stands, in the page and in the PDF; a part of the reading is the tape's."""
    pdfium = pytest.importorskip("pypdfium2")
    taped = {"taped_mm": {"clearance_left_mm": 9.0, "clearance_centre_mm": 9.525}}
    save_check(store, jpeg(1), answer(), REQUEST | taped, order="A")
    save_check(store, jpeg(2), answer(), REQUEST, order="B")
    said = {}
    for order in "AB":
        report = order_report(store, order)
        pdf = pdfium.PdfDocument(order_pdf(report))
        try:
            text = " ".join(page.get_textpage().get_text_range() for page in pdf)
        finally:
            pdf.close()
        said[order] = (Page(order_html(report)).text, " ".join(text.split()))
    for text in said["A"]:
        found = dict(re.findall(r"hairline below cap edge, (\w+) [^()]{1,20} \(soft tape: ([0-9.]+ mm)\)", text))
        assert found == {"left": "9.0 mm", "middle": "9.5 mm"}, text
    assert not any("tape" in text for text in said["B"])


def test_report_of_a_lost_photo_says_so(store):
    number = save_check(store, jpeg(1), answer(), REQUEST, order="A")
    ref = store.get(number).photo
    store.photos.remove(ref.sha256, ref.ending)
    report = order_report(store, "A")
    text = Page(order_html(report)).text
    assert "The photo is missing: put it back from a backup." in text
    assert str(store.photos.root) not in text
    assert order_pdf(report)[:5] == b"%PDF-"
    with pytest.raises(RecordsProblem, match="No record belongs"):
        order_report(store, "B")


def test_a_report_says_which_picture_is_spoiled(store):
    number = save_check(store, jpeg(1), answer(), REQUEST, jpeg(2, exif=False), order="A")
    ref = store.get(number).overlay
    store.photos.path(ref.sha256, ref.ending).write_bytes(b"spoiled")
    text = Page(order_html(order_report(store, "A"))).text
    assert "The picture of what was measured is not what was saved: put it back from a backup." in text
    assert "The photo is" not in text


def test_the_history_does_not_miss_what_a_stage_never_measures(store):
    """A seam has no hairline: “not measured” is said of what was looked for."""
    spacing = {"value": 4.2, "U95": 0.3, "unit": "mm", "low": 2.0, "high": 10.0, "state": "in"}
    seam = {**answer(), "measures": {"stitch_spacing_mean_mm": spacing}}
    save_check(store, jpeg(1), answer(), REQUEST, order="A")
    save_check(store, jpeg(2), seam, REQUEST, order="A", stage="stitches")
    pinned, stitches = order_report(store, "A").history
    assert pinned[-1] == "not measured"
    assert stitches[-3:] == ("", "", "")


def test_small_pictures_are_upright():
    out = io.BytesIO()
    exif = Image.Exif()
    exif[274] = 6
    Image.new("RGB", (2000, 1000)).save(out, "JPEG", exif=exif)
    _, width, height = small_jpeg(out.getvalue(), "jpg")
    assert (width, height) == (600, 1200)


# ----------------------------------------------------------------------------- request and recheck


def full_request() -> CheckRequest:
    return CheckRequest(
        parse_closure("13x4"),
        577.85,
        tolerances=Tolerances({**Tolerances().limits, "offset_mm": (-1 / 3, 2.5)}, 9.25, 1.25),
        marks=Marks({"fold_front": (10.123456789, 20.0)}, {"hairline": ((1.0, 2.0), (3.5, 4.0))}, 0.7),
        camera_name="bench",
        card_bars_mm=(99.2, 99.5),
        front="left",
    )


def test_request_comes_back_to_the_last_bit():
    for request in (full_request(), CheckRequest(parse_closure("5x5"), 558.8)):
        again = from_json(CheckRequest, json.loads(json.dumps(to_json(request))))
        assert again == request


def test_request_of_other_versions():
    data = to_json(full_request())
    assert unknown_fields(CheckRequest, {**data, "gloss": 1}) == ["gloss"]
    older = {k: v for k, v in data.items() if k not in ("front", "card_bars_mm")}
    assert from_json(CheckRequest, older) == replace(full_request(), front=None, card_bars_mm=None)
    for broken in ({**data, "block_circumference_mm": "wide"}, {**data, "front": "up"}, {}, [], {**data, "marks": 3}):
        with pytest.raises(ValueError, match="Check"):
            from_json(CheckRequest, broken)


@dataclass(frozen=True)
class _Inner:
    values: tuple[float, ...] = ()
    named: dict[str, tuple[int, int]] = field(default_factory=dict)


@dataclass(frozen=True)
class _Outer:
    kind: Literal["a", "b"]
    inner: _Inner
    text: str | None = None
    flags: frozenset[str] = frozenset()


inner = st.builds(
    _Inner,
    st.lists(st.floats(allow_nan=False, allow_infinity=False), max_size=5).map(tuple),
    st.dictionaries(st.text(max_size=5), st.tuples(st.integers(), st.integers()), max_size=3),
)


@given(st.builds(_Outer, st.sampled_from(["a", "b"]), inner, st.none() | st.text(), st.frozensets(st.text(max_size=4))))
def test_any_request_like_value_comes_back(value):
    assert from_json(_Outer, json.loads(json.dumps(to_json(value)))) == value


def test_recheck_reproduces_and_reports(store):
    """With a check of its own that measures the kept photo: mean brightness by thirds, to the digit."""

    def check(path: Path, request: CheckRequest, profile: Mapping | None) -> dict:
        with Image.open(path) as opened:
            value = float(np.asarray(opened, dtype=float).mean()) / 100
            assert opened.getexif().get_ifd(0x8769)[0xA405] == 26
        assert profile == {"f": 1 / 3}
        limit = request.tolerances.limits["offset_mm"][1]
        return answer("pass" if value < limit else "fix", offset_mm=value)

    request, profile = full_request(), {"f": 1 / 3}
    originals = [jpeg(i) for i in range(4)]
    numbers = []
    for i, data in enumerate(originals):
        original = store.home.parent / f"original{i}.jpg"
        original.write_bytes(data)
        numbers.append(
            save_check(store, original, check(original, request, profile), to_json(request), profile=profile)
        )
    results = list(recheck(store, Filter(), check))
    assert [r.record for r in results] == numbers
    assert all(r.reproduced for r in results)

    def updated(path: Path, request: CheckRequest, profile: Mapping | None) -> dict:
        new = check(path, request, profile)
        new["measures"]["offset_mm"]["U95"] = 0.5
        new["problems"] = [{"code": "new", "message": "A new doubt."}]
        return new

    found = recheck_record(store, store.get(numbers[0]), updated)
    assert not found.reproduced
    assert [(d.where, d.old, d.new) for d in found.differences] == [
        ("measures.offset_mm.U95", 0.4, 0.5),
        ("problems.new", None, "A new doubt."),
    ]


def test_a_part_of_a_set_is_no_stage_that_was_passed(store):
    """What the set says counts: here a part that would pass by itself, and the set to be fixed."""
    save_check(store, jpeg(1), answer("pass"), REQUEST, order="0007", origin=PART)
    save_check(store, jpeg(2), answer("fix", offset_mm=5.0), REQUEST, order="0007")
    assert tallies.next_stages(store.database) == {"0007": "pinned"}
    save_check(store, jpeg(3), answer("pass"), REQUEST, order="0007")
    assert tallies.next_stages(store.database) == {"0007": "stitched"}


def test_a_measure_that_is_null_and_one_that_is_not_there_say_the_same():
    """A later version lists measures that an earlier one did not know; where they could not be had, nothing differs."""
    old, new = {"measures": {"offset_mm": 1.0}}, {"measures": {"offset_mm": 1.0, "temple_rim_mm": None}}
    assert list(differences(old, new)) == list(differences(new, old)) == []
    assert [d.where for d in differences(old, {"measures": {"offset_mm": None}})] == ["measures.offset_mm"]
    assert [d.where for d in differences(old, {"measures": {}})] == ["measures.offset_mm"]


def test_recheck_says_what_it_cannot_do(store):
    no_photo = save_check(store, jpeg(1), answer(), REQUEST)
    unknown = save_check(store, jpeg(2), answer(), {**REQUEST, "gloss": 1})
    broken = save_check(store, jpeg(3), answer(), {**REQUEST, "front": "up"})
    demo = save_check(store, jpeg(4), answer(), REQUEST, origin="demo")
    failing = save_check(store, jpeg(5), answer(), REQUEST)
    ref = store.get(no_photo).photo
    store.photos.remove(ref.sha256, ref.ending)

    def fails(path: Path, request: CheckRequest, profile: Mapping | None) -> dict:
        raise UnusableFile("x", "It cannot be read: sorry.")

    said = {n: recheck_record(store, store.get(n), fails).not_done for n in (no_photo, unknown, broken, demo, failing)}
    assert "missing" in said[no_photo]
    assert "gloss" in said[unknown]
    assert "request" in said[broken]
    assert "invented" in said[demo]
    assert said[failing] == "It cannot be read: sorry."


def test_recheck_by_the_programs_own_check(store):
    """A real check of noise without a card: the same refusal again, from the cleaned copy."""
    photo = store.home.parent / "p.jpg"
    photo.write_bytes(jpeg(8, width=1300, height=900))
    first = check_kept(photo, from_json(CheckRequest, REQUEST))
    number = save_check(store, photo, first, REQUEST)
    assert [p["code"] for p in first["problems"]] == ["too-blurred"]
    assert recheck_record(store, store.get(number)).reproduced


def test_a_kept_photo_gets_the_camera_it_was_measured_with(store, monkeypatch):
    """For a recheck and the stages after it alike: the kept profile's, or none, whatever profiles there are today."""
    import placecheck.one_photo

    used = []
    ask = placecheck.one_photo.check_photo
    monkeypatch.setattr(placecheck.one_photo, "check_photo", lambda *asked: used.append(asked[3].camera) or ask(*asked))
    photo = store.home.parent / "p.jpg"
    photo.write_bytes(jpeg(8, width=1300, height=900))
    kept = lens(values=(1010.0, 1010.0, 655.0, 440.0, 0.08, -0.05, 0.0, 0.0, 0.0), width=1300, height=900, reach_px=700)
    for profile in (as_json(kept), None):
        first = check_kept(photo, from_json(CheckRequest, REQUEST), profile)
        number = save_check(store, photo, first, REQUEST, profile=profile)
        assert recheck_record(store, store.get(number)).reproduced
        camera = earlier_photo(number, store.home)[2]
        assert used[-2:] == [camera, camera]
    assert used[-1] is None
    # the lens's f and centre as the profile has them (one k1 in place of two moves f by a little), the photo turned by
    # EXIF's orientation 6: the stored (x, y) comes to lie at (899 - y, x)
    assert used[0].f_px == pytest.approx(1010.0, rel=0.01)
    assert (used[0].cx_px, used[0].cy_px) == pytest.approx((899.0 - 440.0, 655.0), abs=0.5)


@given(
    st.recursive(
        st.none() | st.integers() | st.text(max_size=3),
        lambda x: st.lists(x, max_size=3) | st.dictionaries(st.text(max_size=2), x, max_size=3),
        max_leaves=8,
    )
)
def test_no_difference_from_itself(value):
    assert list(differences(value, value)) == []
    assert len(list(differences({"a": value, "b": 1}, {"a": value, "b": 2}))) == 1


# ----------------------------------------------------------------------------- demo and quality


def test_demo_fills_only_an_empty_store(season, store):
    assert season.count() > 300
    with pytest.raises(RecordsProblem, match="holds records already"):
        fill_with_demo(season)
    assert verify(season).troubles == ()
    lines = season.find(limit=None)
    assert {line.origin for line in lines} == {"demo"}
    assert {line.verdict for line in lines} == {"pass", "fix", "retake"}
    assert {line.stage for line in lines} == {"pinned", "stitched"}
    assert all(line.created_at < "2026-09-02" for line in lines)
    found = season.get(lines[-1].id)
    assert set(found.readings) >= set(JUDGED) or found.summary.verdict == "retake"
    # judged by the real rules: state and verdict agree for every record
    for r in season.each(Filter(verdict="pass")):
        assert {r.readings[n].state for n in JUDGED} == {"in"}
    for r in season.each(Filter(verdict="fix")):
        assert "out" in {x.state for x in r.readings.values()}
        assert r.answer["fixes"]
    # the same season again for the same seed
    count = fill_with_demo(store, datetime(2026, 9, 1, tzinfo=UTC), orders=20)
    first = [r.answer for r in store.each()]
    store.purge(Filter(origin="demo"))
    assert store.count() == 0
    assert list(store.photos.files()) == []
    assert fill_with_demo(store, datetime(2026, 9, 1, tzinfo=UTC), orders=20) == count
    assert [r.answer for r in store.each()] == first


def test_the_page_charts_pinned_closures_unless_stages_are_compared(season):
    """A stitched closure has moved: its checks would blur the placing, and a row of stitches is no placement."""
    assert season.count(Filter(stage="stitched")) > 20
    for by in ("maker", "closure"):
        found, wanted = books.quality(season.home, by), overview(season, by, Filter(stage="pinned"))
        assert found.together == wanted.together
        assert [[s.points for s in g.streams] for g in found.groups] == [
            [s.points for s in g.streams] for g in wanted.groups
        ]
    assert {g.name for g in books.quality(season.home, "stage").groups} == {"pinned", "stitched"}


def test_overview_finds_what_the_season_was_made_with(season):
    found = overview(season, "maker", Filter(stage="pinned"))
    by_name = {g.name: g for g in found.groups}
    assert set(by_name) == {"Ines", "Tomma", "Bea", "Ruth"}
    habits = {name: {s.measure: s.habit for s in g.streams} for name, g in by_name.items()}
    # Tomma sits 2 mm to the wearer's left by design; nobody else has a habit of that size
    habit = habits["Tomma"]["offset_mm"]
    assert habit.low < -2.0 + 0.25
    assert habit.high > -2.0 - 0.25
    assert all(habits[n]["offset_mm"] is None for n in ("Ines", "Bea", "Ruth"))
    told = " ".join(s for stream in by_name["Tomma"].streams for s in stream.sentences)
    assert "to the wearer's left on average" in told
    assert "Tell Tomma to pin that much further right" in told
    # Bea's spread is the widest, Ines's process the most capable in offset
    spread = {n: next(s for s in g.streams if s.measure == "offset_mm").chart.values.std() for n, g in by_name.items()}
    assert max(spread, key=spread.get) == "Bea"
    total = sum(g.first_pass.decided for g in found.groups)
    assert total == found.together.first_pass.decided
    assert found.groups[0].first_pass.high <= found.groups[-1].first_pass.high
    assert found.groups[0].name == "Tomma"
    assert fault_words(found.groups[0].faults[0]).endswith(("left of the centre line", "left"))
    assert "Tomma passes first time least often" in help_sentence(found)
    assert yield_words(by_name["Ines"].first_pass).startswith(f"{by_name['Ines'].first_pass.passed} of ")


def test_only_a_maker_is_told_of_a_habit(season):
    """A closure size and a stage are nobody who could pin otherwise; a maker who was asked for is, as she is kept."""
    for by, name in (("closure", "5x5"), ("stage", "pinned")):
        for maker in (None, "TOMMA"):
            groups = {g.name: g for g in overview(season, by, Filter(stage="pinned", maker=maker)).groups}
            offset = groups[name].streams[0]
            assert offset.group == name
            if maker:
                assert "chance. Tell Tomma to pin that much further right." in offset.sentences[1]
            assert f"Tell {name}" not in " ".join(offset.sentences)
    assert "chance. Pin that much further left." in habit_sentence("offset_mm", Habit(1.5, 1.2, 1.8), "")


def test_yield_is_counted_as_by_hand(season):
    first = {}
    for line in season.find(Filter(stage="pinned"), limit=None, oldest_first=True):
        if line.readings:
            first.setdefault(line.order_ref, line)
    for maker in ("Ines", "Tomma", "Bea", "Ruth"):
        mine = [line.verdict for line in first.values() if line.maker == maker]
        count = tallies.first_checks(season.database, Filter(maker=maker, stage="pinned"))
        assert (count.passed, count.decided - count.passed, count.undecided) == tuple(
            mine.count(v) for v in ("pass", "fix", "retake")
        )
        values = [line.readings["offset_mm"].value for line in first.values() if line.maker == maker]
        charted = tallies.series(season.database, "offset_mm", Filter(maker=maker, stage="pinned"))
        assert [p.value for p in charted] == values[-100:]


@pytest.mark.parametrize("by", ["maker", "closure", "stage"])
def test_quality_page_is_one_file(season, by):
    html = quality_html(overview(season, by, Filter() if by == "stage" else Filter(stage="pinned")))
    page = Page(html)
    assert page.addresses == []
    assert "script" not in page.tags
    assert page.tags.count("svg") == 2 + 3 * len(tallies.groups(season.database, by))
    for words in ("UCL", "LCL", "limit 3", "usual spread", "moving-range", "First-pass yield", "What led to fixes"):
        assert words in page.text, words


def test_rows_name_every_judged_measure(season):
    found = next(season.each(Filter(verdict="pass")))
    rows = rows_of(found)
    assert len(rows) == len(MEASURES)
    assert all(r.state for r in rows[: len(JUDGED)])


def test_rows_say_how_likely_an_unsure_measure_lies_inside(season):
    """As its check did; older records that lack the probability say only that it is unsure."""
    found = next(season.each(Filter(verdict="retake")))
    name = next(n for n, r in found.readings.items() if r.state == "unsure")
    measures = dict(found.answer["measures"])
    for chance, words in ((0.388, "39 % in"), (None, "unsure")):
        kept = {k: v for k, v in measures[name].items() if k != "p_conform"}
        measures[name] = kept | ({"p_conform": chance} if chance is not None else {})
        rows = rows_of(replace(found, answer=dict(found.answer) | {"measures": measures}))
        assert [r.state for r in rows if r.label == MEASURE_BY_NAME[name].label] == [words]
