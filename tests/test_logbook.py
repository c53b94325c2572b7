"""The logbook: nothing private kept, nothing lost, nothing changed; trends and tuning against outside references."""

from __future__ import annotations

import errno
import hashlib
import io
import json
import resource
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import ExifTags, Image
from pillow_heif import register_heif_opener
from sqlalchemy import event
from tests.records import grey_photo, tee_record

from toeline.errors import LogbookTrouble
from toeline.logbook import Labels, Logbook, progress, setting_names, tune
from toeline.logbook import migrations as steps
from toeline.logbook.pictures import Pictures, content_hash
from toeline.logbook.privacy import KEPT_EXIF_TAGS, KEPT_TAGS, CannotClean, clean_photo
from toeline.logbook.trends import change_in_words, line
from toeline.photo import read_photo
from toeline.record import check_record

register_heif_opener()


@pytest.fixture
def book(tmp_path: Path) -> Any:
    with Logbook(tmp_path / "own" / "logbook.sqlite", wait_s=0.2) as opened:
        yield opened


def test_the_made_up_record_keeps_the_contract() -> None:
    check_record(tee_record())
    check_record(tee_record(refused=True))


# --- keeping ---


def test_a_saved_coupon_comes_back_whole(book: Logbook, tmp_path: Path) -> None:
    photo = grey_photo()
    record = tee_record(photo=photo, settings={"voltage_v": 18.5, "gas": "mix"})
    saved = book.save(record, photo, overlay=grey_photo(seed=2), labels=Labels("Learner 1", "T-07", "18.5 V", "second  try"))
    book.close()
    with Logbook(tmp_path / "own" / "logbook.sqlite") as again:
        (entry,) = again.entries()
        assert entry.id == saved.id
        assert dict(again.result(entry.id)) == json.loads(json.dumps(record))
        assert entry.labels == Labels("Learner 1", "T-07", "18.5 V", "second try")
        assert (entry.coupon.joint, entry.coupon.process, entry.coupon.target_leg_mm) == ("tee", "gmaw-s", 6.0)
        assert dict(entry.coupon.settings) == {"voltage_v": 18.5, "gas": "mix"}
        told = entry.measures["leg_base_mean_mm"]
        assert (told.value, told.u, dict(told.shared)) == (6.2, pytest.approx(0.07), {"scale": 0.05})
        assert again.picture(entry.kept_overlay) == grey_photo(seed=2)
        assert again.picture(entry.kept_photo) is not None
        assert again.picture(None) is None
        assert entry.when.isoformat() == "2026-03-02T10:15:00"
        assert again.learners() == ("Learner 1",)


def test_the_same_save_twice_is_one_record(book: Logbook) -> None:
    first = book.save(tee_record())
    slower = tee_record() | {"seconds": {"total": 9.9}}
    assert book.save(slower).id == first.id
    assert book.save(tee_record(leg_mm=5.0)).id != first.id
    assert len(book.entries()) == 2


def test_a_withdrawn_record_leaves_the_list_and_stays_in_the_file(book: Logbook) -> None:
    entry = book.save(tee_record())
    book.withdraw(entry.id, "wrong learner")
    assert book.entries() == ()
    assert book.entry(entry.id).id == entry.id
    assert book.save(tee_record()).id != entry.id


def test_lists_can_be_asked_by_learner_and_process(book: Logbook) -> None:
    book.save(tee_record(), labels=Labels("Ada"))
    book.save(tee_record(process="fcaw-s"), labels=Labels("Ben"))
    assert [e.labels.learner for e in book.entries()] == ["Ben", "Ada"]
    assert [e.labels.learner for e in book.entries(learner="Ada")] == ["Ada"]
    assert [e.labels.learner for e in book.entries(process="fcaw-s")] == ["Ben"]


def test_a_refused_photo_can_be_kept(book: Logbook) -> None:
    entry = book.save(tee_record(refused=True), b"%PDF-1.7 not a picture")
    assert (entry.refused, entry.kept_photo, dict(entry.measures)) == ("no scale", None, {})


def test_choices_are_remembered(book: Logbook) -> None:
    assert dict(book.remembered()) == {}
    book.remember({"joint": "tee", "strips": {"A": 1.0}})
    book.remember({"joint": "butt", "strips": {"A": 0.1}})
    assert dict(book.remembered()) == {"joint": "butt", "strips": {"A": 0.1}}
    assert dict(book.remembered(who="another")) == {}


@pytest.mark.parametrize(
    "act",
    [
        "DELETE FROM records",
        "UPDATE records SET learner = 'another'",
        "DELETE FROM measures",
        "UPDATE measures SET value = 0",
        "DELETE FROM pictures",
        "UPDATE pictures SET suffix = '.png'",
        "DELETE FROM withdrawals",
        "UPDATE withdrawals SET why = 'another'",
    ],
)
def test_records_can_not_be_changed(book: Logbook, act: str) -> None:
    book.save(tee_record(), grey_photo())
    book.withdraw(1, "test")
    with sqlite3.connect(book.path) as raw, pytest.raises(sqlite3.IntegrityError, match="append-only"):
        raw.execute(act)
    raw.close()


def test_pictures_are_one_file_per_content(book: Logbook) -> None:
    photo = grey_photo()
    book.save(tee_record(), photo)
    book.save(tee_record(leg_mm=5.0), photo)
    kept = [path for path in book.pictures.folder.rglob("*") if path.is_file()]
    assert len(kept) == 1
    assert hashlib.sha256(kept[0].read_bytes()).hexdigest() == kept[0].stem


# --- trouble ---


def _trouble(book: Logbook, words: str, **extra: Any) -> None:
    with pytest.raises(LogbookTrouble, match=words) as caught:
        book.save(tee_record(leg_mm=4.4), **extra)
    assert "untouched" in caught.value.message and caught.value.advice.endswith(".")


def test_a_full_disk_for_the_database(book: Logbook) -> None:
    kept = book.save(tee_record())

    @event.listens_for(book._engine, "checkout")
    def _small(connection: Any, _record: Any, _proxy: Any) -> None:
        (pages,) = connection.execute("PRAGMA page_count").fetchone()
        connection.execute(f"PRAGMA max_page_count = {pages}")

    _trouble(book, "the disk is full")
    assert [e.id for e in book.entries()] == [kept.id]


def test_a_full_disk_for_the_photo(book: Logbook) -> None:
    """A limit on file size stands in for the full disk: the system refuses the write for real, halfway through the photo."""
    kept = book.save(tee_record())
    photo = grey_photo(1600, 1200, quality=98)
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    assert len(photo) > 300_000
    resource.setrlimit(resource.RLIMIT_FSIZE, (150_000, before[1]))
    try:
        with pytest.raises(LogbookTrouble, match="no file that large") as caught:
            book.save(tee_record(leg_mm=4.4), photo)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert isinstance(caught.value.__cause__, OSError) and caught.value.__cause__.errno == errno.EFBIG
    assert [e.id for e in book.entries()] == [kept.id]
    assert [path for path in book.pictures.folder.rglob("*") if path.is_file()] == []
    assert book.save(tee_record(leg_mm=4.4), photo).kept_photo


def test_a_read_only_database(book: Logbook) -> None:
    kept = book.save(tee_record())

    @event.listens_for(book._engine, "checkout")
    def _only(connection: Any, _record: Any, _proxy: Any) -> None:
        connection.execute("PRAGMA query_only = ON")

    _trouble(book, "read-only")
    assert [e.id for e in book.entries()] == [kept.id]


def test_a_locked_database(book: Logbook) -> None:
    kept = book.save(tee_record())
    other = sqlite3.connect(book.path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    try:
        _trouble(book, "another program is writing")
        assert [e.id for e in book.entries()] == [kept.id]
    finally:
        other.execute("ROLLBACK")
        other.close()
    assert book.save(tee_record(leg_mm=4.4)).id


def test_a_file_that_is_no_logbook_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "shopping.sqlite"
    path.write_bytes(b"eggs, milk, contact tips\n" * 100)
    before = path.read_bytes()
    with pytest.raises(LogbookTrouble, match="not a logbook"):
        Logbook(path)
    assert path.read_bytes() == before


def test_a_place_that_can_not_be(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(LogbookTrouble, match="logbook.sqlite did not take this"):
        Logbook(tmp_path / "file" / "logbook.sqlite")


def test_a_logbook_of_a_newer_version_is_not_touched(tmp_path: Path) -> None:
    Logbook(tmp_path / "l.sqlite").close()
    with sqlite3.connect(tmp_path / "l.sqlite") as raw:
        raw.execute("INSERT INTO migrations VALUES (99, 'later', 'later')")
    raw.close()
    with pytest.raises(LogbookTrouble, match="newer toeline"):
        Logbook(tmp_path / "l.sqlite")


def test_a_step_that_fails_leaves_no_trace(book: Logbook) -> None:
    def adds_and_breaks(connection: Any) -> None:
        connection.exec_driver_sql("CREATE TABLE half (x)")
        raise RuntimeError("broke")

    kept = book.save(tee_record())
    with pytest.raises(RuntimeError):
        steps.migrate(book._engine, (*steps.STEPS, adds_and_breaks))
    with sqlite3.connect(book.path) as raw:
        assert raw.execute("SELECT count(*) FROM sqlite_master WHERE name = 'half'").fetchone() == (0,)
        assert raw.execute("SELECT max(number) FROM migrations").fetchone() == (len(steps.STEPS),)
    raw.close()
    assert book.entry(kept.id).id == kept.id


_SAVES_FOR_EVER = """
import sys
from tests.records import grey_photo, tee_record
from toeline.logbook import Logbook
book = Logbook(sys.argv[1])
for n in range(10_000):
    photo = grey_photo(400, 300, seed=n)
    print(book.save(tee_record(leg_mm=4 + n / 1000, photo=photo), photo).id, flush=True)
"""


def test_a_program_killed_while_saving_loses_nothing_it_had_told(tmp_path: Path) -> None:
    place = tmp_path / "logbook.sqlite"
    root = Path(__file__).resolve().parents[1]
    child = subprocess.Popen(
        [sys.executable, "-c", _SAVES_FOR_EVER, str(place)],
        stdout=subprocess.PIPE,
        text=True,
        env={"PYTHONPATH": f"{root / 'inspect'}:{root}", "PATH": ""},
    )
    assert child.stdout is not None
    told = [int(child.stdout.readline()) for _ in range(5)]
    time.sleep(0.05)
    child.send_signal(signal.SIGKILL)
    told += [int(number) for number in child.stdout.read().split()]
    child.wait()
    child.stdout.close()
    with Logbook(place) as book:
        entries = book.entries()
        assert {e.id for e in entries} >= set(told)
        for entry in entries:
            kept = book.picture(entry.kept_photo)
            assert kept is not None and content_hash(kept) == entry.kept_photo
            assert book.result(entry.id)["format"] == "toeline-inspection"
        with sqlite3.connect(place) as raw:
            assert raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        raw.close()


def test_a_half_written_picture_never_has_its_final_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_space(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("toeline.logbook.pictures.os.fsync", no_space)
    with pytest.raises(OSError, match="No space"):
        Pictures(tmp_path).keep(b"x" * 1000, ".jpg")
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


# --- privacy: what is read back is read by Pillow and libheif, not by our own parsers ---


def _private_exif(orientation: int = 6) -> bytes:
    exif = Image.Exif()
    exif[271], exif[272], exif[274] = "Maker X", "Phone Y", orientation
    exif[315], exif[33432], exif[270] = "SECRET artist", "SECRET owner", "SECRET caption"
    more = exif.get_ifd(ExifTags.IFD.Exif)
    more[0xA430], more[0xA431], more[0xA435] = "SECRET owner", "SECRET-SERIAL", "SECRET-LENS-SERIAL"
    more[37500], more[37510], more[42016] = b"SECRET maker note", b"ASCII\0\0\0SECRET comment", "SECRET-UNIQUE-ID"
    more[36867], more[41989], more[37386], more[42036] = "2026:03:02 10:15:00", 26, 6.8, "wide"
    gps = exif.get_ifd(ExifTags.IFD.GPSInfo)
    gps[1], gps[2], gps[29] = "N", (48.0, 12.0, 30.0), "2026:03:02 SECRET"
    return exif.tobytes()


_XMP = b"<x:xmpmeta xmlns:x='adobe:ns:meta/'>SECRET place</x:xmpmeta>"


def _told(data: bytes) -> tuple[set[int], set[int], dict[int, Any]]:
    """Tags of the main block, of the EXIF block and of the GPS block, as Pillow reads them."""
    with Image.open(io.BytesIO(data)) as image:
        exif = image.getexif()
        assert not any((image.info.get(kind) or b"").strip(b"\0") for kind in ("xmp", "comment", "photoshop"))
        return set(exif), set(exif.get_ifd(ExifTags.IFD.Exif)), dict(exif.get_ifd(ExifTags.IFD.GPSInfo))


@pytest.mark.parametrize(
    ("suffix", "options"),
    [
        ("JPEG", {"comment": b"SECRET comment", "xmp": _XMP, "quality": 92}),
        ("JPEG", {"progressive": True, "xmp": _XMP, "quality": 92}),
        ("PNG", {}),
        ("WEBP", {"xmp": _XMP, "quality": 90}),
        ("HEIF", {"xmp": _XMP, "quality": 80}),
    ],
)
def test_a_kept_photo_tells_nothing_private_and_shows_the_same(suffix: str, options: dict[str, Any]) -> None:
    data = grey_photo(640, 480, suffix=suffix, exif=_private_exif(), **options)
    assert b"SECRET" in data
    clean = clean_photo(data)
    assert b"SECRET" not in clean.data
    main, more, gps = _told(clean.data)
    assert main <= {*KEPT_TAGS, ExifTags.IFD.Exif} and more <= set(KEPT_EXIF_TAGS) and gps == {}
    before, after = read_photo(data, name="a"), read_photo(clean.data, name="a")
    assert np.array_equal(before.pixels, after.pixels)
    assert (before.camera, before.taken_at) == (after.camera, after.taken_at)
    assert after.camera.focal_35mm == 26


def test_a_clip_or_second_picture_behind_the_jpeg_goes(book: Logbook) -> None:
    data = grey_photo() + b"\xff\xd8SECRET second picture\xff\xd9" + b"ftypmp42 SECRET clip"
    clean = clean_photo(data)
    assert b"SECRET" not in clean.data
    assert np.array_equal(read_photo(data, name="a").pixels, read_photo(clean.data, name="a").pixels)


def test_a_thumbnail_in_the_jpeg_head_goes() -> None:
    data = grey_photo()
    assert data[2:4] == b"\xff\xe0"
    thumb = b"\xff\xe0" + (16 + 3).to_bytes(2, "big") + b"JFIF\0\x01\x02\0\0\x01\0\x01\x01\x01" + b"\xaa\xbb\xcc"
    clean = clean_photo(data[:2] + thumb + data[20:])
    assert b"\xaa\xbb\xcc" not in clean.data
    assert np.array_equal(read_photo(data, name="a").pixels, read_photo(clean.data, name="a").pixels)


def test_a_colour_profile_stays() -> None:
    from PIL import ImageCms

    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    for suffix in ("JPEG", "PNG", "WEBP"):
        with Image.open(io.BytesIO(clean_photo(grey_photo(suffix=suffix, icc_profile=profile)).data)) as image:
            assert image.info["icc_profile"] == profile


@pytest.mark.parametrize("suffix", ["JPEG", "PNG", "WEBP", "HEIF"])
def test_a_broken_file_is_not_kept_as_it_is(suffix: str) -> None:
    data = grey_photo(suffix=suffix, exif=_private_exif())
    for cut in (3, 30, len(data) // 2, len(data) - 10):
        with pytest.raises(CannotClean):
            clean_photo(data[:cut])


def test_a_format_that_can_not_be_cleaned_is_kept_as_bare_pixels(book: Logbook) -> None:
    data = grey_photo(suffix="TIFF", exif=_private_exif())
    entry = book.save(tee_record(photo=data), data)
    kept = book.picture(entry.kept_photo)
    assert kept is not None and b"SECRET" not in kept
    assert np.array_equal(read_photo(kept, name="k").pixels, read_photo(data, name="t").pixels)


# --- trends ---


def test_a_line_agrees_with_statsmodels() -> None:
    """Slope and interval against statsmodels' OLS."""
    import statsmodels.api as sm

    values = [6.9, 6.1, 6.4, 5.2, 5.5, 4.9, 5.1]
    ours = line(values)
    theirs = sm.OLS(values, sm.add_constant(np.arange(len(values)))).fit()
    low, high = theirs.conf_int(0.05)[1]
    assert ours.per_coupon == pytest.approx(theirs.params[1], rel=1e-9)
    assert (ours.low, ours.high) == (pytest.approx(low, rel=1e-9), pytest.approx(high, rel=1e-9))
    assert ours.real and change_in_words(ours, better="lower").startswith("Gone down over 7 coupons")


def test_progress_never_joins_two_methods(book: Logbook) -> None:
    for n in range(10):
        method = 1 if n < 5 else 2
        book.save(tee_record(leg_mm=5 + n / 10 + 2 * (n > 4), taken_at=f"2026-03-{n + 1:02}T08:00:00", bead_method=method))
    trend = progress(book.entries(), "leg_base_mean_mm")
    assert trend.n_stretches == 2
    assert [p.value for p in trend.points] == sorted(p.value for p in trend.points)
    assert trend.change is not None and trend.change.n == 5 and trend.change.per_coupon == pytest.approx(0.1)


def test_progress_of_few_and_of_none(book: Logbook) -> None:
    assert progress((), "width_mean_mm").points == ()
    book.save(tee_record())
    trend = progress(book.entries(), "width_mean_mm")
    assert trend.change is None and "Too few" in change_in_words(trend.change)
    assert "No change" in change_in_words(line([5.0, 5.4, 5.1, 5.3]))


def test_a_learner_who_does_not_change_is_seldom_said_to() -> None:
    """The line's word on change keeps its 5 % on coupons that only scatter (binomial bounds of 400 tries)."""
    rng = np.random.default_rng(20260302)
    said = sum(line(list(rng.normal(6, 0.4, 8))).real for _ in range(400))
    assert 8 <= said <= 34


# --- tuning ---


def _fill(book: Logbook, counts: dict[float, tuple[int, ...]]) -> None:
    for volts, numbers in counts.items():
        for k, n in enumerate(numbers):
            book.save(
                tee_record(
                    n_spatter=n, settings={"voltage_v": volts}, taken_at=f"2026-03-02T10:{k:02}:00", name=f"{volts}-{k}.jpg"
                )
            )


def test_a_setting_that_doubles_the_spatter_shows(book: Logbook) -> None:
    _fill(book, {17.0: (60, 66, 58, 63), 19.0: (131, 120, 125, 138)})
    tuning = tune(book.entries(), "voltage_v")
    assert [g.at for g in tuning.groups] == [17.0, 19.0]
    assert [g.n_coupons for g in tuning.groups] == [4, 4]
    assert tuning.groups[1].rate_per_cm2.value == pytest.approx(514 / 96)
    assert tuning.change is not None and tuning.change.real
    assert tuning.sentence.startswith("19 against 17: About twice as much spatter as the coupons at 17")
    assert setting_names(book.entries()) == ("voltage_v",)


def test_one_coupon_each_has_the_exact_poisson_interval(book: Logbook) -> None:
    """Published exact 95 % limits of a count of 10: 4.80 to 18.39 (Garwood, Biometrika 28 (1936) 437; value from memory)."""
    _fill(book, {17.0: (10,)})
    (spot,) = tune(book.entries(), "voltage_v").spots
    assert spot.density_per_cm2.low * spot.area_cm2 == pytest.approx(4.80, abs=0.006)
    assert spot.density_per_cm2.high * spot.area_cm2 == pytest.approx(18.39, abs=0.006)


def test_a_coupon_that_was_saved_twice_counts_once(book: Logbook) -> None:
    for learner in ("Ada", "Ada again"):
        book.save(tee_record(n_spatter=10), labels=Labels(learner))
    (spot,) = tune(book.entries()).spots
    assert spot.entry_id == 2
    assert len(progress(book.entries(), "width_mean_mm").points) == 1


def test_spatter_that_can_not_be_compared_is_left_out(book: Logbook) -> None:
    book.save(tee_record(plate_before="unknown", settings={"voltage_v": 18.0}))
    book.save(tee_record(refused=True))
    tuning = tune(book.entries(), "voltage_v")
    assert tuning.spots == () and tuning.change is None and "No saved coupon" in tuning.sentence


def test_against_time_and_against_words(book: Logbook) -> None:
    for day, n in ((1, 40), (2, 42)):
        book.save(tee_record(n_spatter=n, taken_at=f"2026-03-0{day}T09:00:00", settings={"gas": f"gas {day}"}))
    by_day = tune(book.entries())
    assert [g.at for g in by_day.groups] == ["2026-03-01", "2026-03-02"]
    assert "No change from the day before" in by_day.sentence
    assert [g.at for g in tune(book.entries(), "gas").groups] == ["gas 1", "gas 2"]
    assert "nothing to compare yet" in tune(book.entries()[:1]).sentence
