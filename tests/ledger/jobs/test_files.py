"""Files of a job: told by content, named harmlessly, kept outside the web root, there again after a restore."""

import io
import stat
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image
from sqlalchemy.orm import Session

from app.config import Config
from app.ledger.care.backups import make_backup
from app.ledger.care.opening import Ledger, open_ledger
from app.ledger.care.place import files_folder
from app.ledger.care.restoring import restore_backup
from app.ledger.care.sealing import passphrase_secret
from app.ledger.jobs.files import (
    MOST_BYTES,
    files_of_job,
    find_kind,
    get_file,
    keep_file,
    small_picture,
)
from app.ledger.jobs.notes import add_note
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.store.kept_files import plain_name, read_kept
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Event, FileKind, JobFile, Role
from tests import factories
from tests.conftest import NOW


@pytest.fixture
def config(empty_house: Path, copied: Callable[[Path], Config]) -> Config:
    return copied(empty_house)


@pytest.fixture
def work(ledger: Ledger, session: Session) -> Work:
    return Work(session, ledger.vault, Actor.of(factories.UserFactory(role=Role.OWNER)), NOW)


def picture(kind: str = "JPEG", size: tuple[int, int] = (40, 30)) -> bytes:
    made = io.BytesIO()
    Image.new("RGB", size, "#a06030").save(made, kind)
    return made.getvalue()


def archive(*names: str) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as target:
        for name in names:
            target.writestr(zipfile.ZipInfo(name), "x")
    return made.getvalue()


SHEET = archive("[Content_Types].xml", "xl/workbook.xml")
PDF = b"%PDF-1.7\n1 0 obj\n%%EOF\n"


@pytest.mark.parametrize(
    ("name", "content", "kind"),
    [
        ("a.jpg", picture("JPEG"), FileKind.JPEG),
        ("lies.pdf", picture("PNG"), FileKind.PNG),
        ("a", picture("WEBP"), FileKind.WEBP),
        ("a.pdf", PDF, FileKind.PDF),
        ("a.xlsx", SHEET, FileKind.XLSX),
        ("keys.CSV", "Öffnung,Schild\n1,AA1\n".encode(), FileKind.CSV),
        ("keys.txt", "\ufeffkeys\r\n".encode(), FileKind.TXT),
    ],
)
def test_the_content_says_what_a_file_is(name: str, content: bytes, kind: FileKind) -> None:
    assert find_kind(name, content) is kind


def plain_id(given: object) -> str:
    """A test's name, the same in every process: an archive's bytes hold the second when it was made."""
    return given if isinstance(given, str) else "content"


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("a.jpg", b"", "empty"),
        ("a.jpg", b"\xff\xd8\xff" + bytes(MOST_BYTES), "16 MB; at most 15 MB"),
        ("a.jpg", picture()[:200], "damaged"),
        ("a.png", b"\x89PNG\r\n\x1a\n" + bytes(500), "damaged"),
        ("a.pdf", b"%PDF-1.7 and no end", "cut short"),
        ("a.xlsx", SHEET[:60], "damaged"),
        ("a.zip", archive("readme.txt"), "archive, not a spreadsheet"),
        ("a.xlsm", archive("[Content_Types].xml", "xl/workbook.xml", "xl/vbaProject.bin"), "macros"),
        ("page.html", b"<script>alert(1)</script>", "none of the accepted kinds"),
        ("page.svg", b"<svg xmlns='http://www.w3.org/2000/svg'/>", "none of the accepted kinds"),
        ("a.txt", b"\x00\x01\x02", "none of the accepted kinds"),
        ("a.txt", "ü".encode("latin-1"), "none of the accepted kinds"),
        ("a.gif", b"GIF89a" + bytes(50), "none of the accepted kinds"),
    ],
    ids=plain_id,
)
def test_what_is_not_kept_is_refused_with_what_to_do(name: str, content: bytes, said: str) -> None:
    with pytest.raises(LedgerError, match=said) as caught:
        find_kind(name, content)
    assert caught.value.field == "file"


def test_a_picture_of_too_many_pixels_is_refused_before_it_is_unpacked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 500)
    with pytest.raises(LedgerError, match="more pixels"):
        find_kind("a.png", picture("PNG"))


def test_what_opens_only_whole_may_have_fewer_pixels_than_a_camera(monkeypatch: pytest.MonkeyPatch) -> None:
    """A PNG of one color, a third of a megabyte, would take a gigabyte of memory to be drawn small."""
    monkeypatch.setattr("app.ledger.store.pictures._MOST_PIXELS_WHOLE", 40 * 30 - 1)
    assert find_kind("old core.jpg", picture("JPEG")) is FileKind.JPEG
    for kind in ("PNG", "WEBP"):
        with pytest.raises(LedgerError, match="more pixels"):
            find_kind("old core.png", picture(kind))
    kept = JobFile(kind=FileKind.PNG, name="kept before.png")
    with pytest.raises(LedgerError, match="cannot be drawn small"):
        small_picture(kept, picture("PNG"))


@pytest.mark.parametrize(
    ("sent", "shown"),
    [
        ("../../instance/keys/bittern.key", "bittern.pdf"),
        ("..\\..\\windows\\x.pdf", "x.pdf"),
        ("/etc/passwd", "passwd.pdf"),
        ("a\x00b\r\nSet-Cookie: x.pdf", "ab Set-Cookie x.pdf"),
        ("exe\u202efdp.exe", "exefdp.pdf"),
        (".htaccess", "htaccess.pdf"),
        ("", "file.pdf"),
        ("x" * 10_000 + ".pdf", "x" * 116 + ".pdf"),
        ("Öffnungen 12.PDF", "Öffnungen 12.PDF"),
    ],
)
def test_a_name_keeps_no_folder_and_nothing_unseen(sent: str, shown: str) -> None:
    assert plain_name(sent, FileKind.PDF) == shown
    assert len(shown) <= 120


def test_a_kept_file_lies_under_a_name_of_chance_and_is_an_event(work: Work, config: Config) -> None:
    job = factories.JobFactory()
    folder = files_folder(config)
    kept = keep_file(work, folder, job.number, "../../x.jpg", picture(), "  Old   cylinder ")
    (path,) = folder.iterdir()
    assert path.name == kept.stored_name and len(path.name) == 32 and path.suffix == ""
    assert stat.S_IMODE(path.stat().st_mode) == 0o600 and stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert (kept.name, kept.about, kept.kind) == ("x.jpg", "Old cylinder", FileKind.JPEG)
    assert read_kept(folder, get_file(work.session, job.number, kept.id)) == picture()
    event = work.session.query(Event).filter_by(kind="file kept").one()
    assert (event.job_id, event.summary) == (job.id, "File x.jpg kept: Old cylinder")


def test_a_refused_or_failed_file_leaves_nothing_behind(work: Work, config: Config, monkeypatch) -> None:
    job, folder = factories.JobFactory(), files_folder(config)
    keep_file(work, folder, job.number, "a.jpg", picture())
    with pytest.raises(LedgerError, match="already, as a"):
        keep_file(work, folder, job.number, "b.jpg", picture())
    with pytest.raises(NotFound):
        keep_file(work, folder, 999_999, "b.png", picture("PNG"))
    with pytest.raises(LedgerError, match="At most 200"):
        keep_file(work, folder, job.number, "b.png", picture("PNG"), "x" * 201)
    monkeypatch.setattr("app.ledger.jobs.files.record", lambda *a, **k: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        keep_file(work, folder, job.number, "b.png", picture("PNG"))
    monkeypatch.undo()
    blocked = folder / "blocked"
    blocked.write_text("a file where the folder should be")
    with pytest.raises(LedgerError, match="could not be written"):
        keep_file(work, blocked, job.number, "b.png", picture("PNG"))
    blocked.unlink()
    assert len(list(folder.iterdir())) == work.session.query(JobFile).count() == 1


def test_a_changed_or_missing_file_is_told_not_served(work: Work, config: Config) -> None:
    job, folder = factories.JobFactory(), files_folder(config)
    kept = keep_file(work, folder, job.number, "a.jpg", picture())
    (folder / kept.stored_name).write_bytes(picture("PNG"))
    with pytest.raises(LedgerError, match="not as it was sent"):
        read_kept(folder, kept)
    (folder / kept.stored_name).unlink()
    with pytest.raises(LedgerError, match="not in the files folder"):
        read_kept(folder, kept)


@pytest.mark.sqlite
def test_backup_and_restore_carry_the_files(work: Work, config: Config, ledger: Ledger, tmp_path: Path) -> None:
    job = factories.JobFactory()
    kept = keep_file(work, files_folder(config), job.number, "old.jpg", picture(), "Old cylinder")
    secret = passphrase_secret("low water at the reed bed", cost=4)
    house = Actor(None, "the house", Role.OWNER)
    made = make_backup(config, ledger, house, tmp_path / "copies", secret)
    assert made.report.files == 1
    there = Config(instance=tmp_path / "elsewhere", key_file=config.vault_key_file)
    restore_backup(there, made.path, secret, house)
    restored = open_ledger(there)
    with restored.sessions() as session:
        (again,) = files_of_job(session, job.id)
        assert (again.name, again.about) == ("old.jpg", "Old cylinder")
        assert read_kept(files_folder(there), again) == picture()
    restored.close()
    assert [path.name for path in files_folder(there).iterdir()] == [kept.stored_name]


def test_a_note_is_an_event_in_the_story(work: Work) -> None:
    job = factories.JobFactory()
    add_note(work, job.number, "  Customer   rang.\r\nWants   it Friday.  ")
    event = work.session.query(Event).filter_by(kind="note").one()
    assert (event.job_id, event.summary) == (job.id, "Customer rang.\nWants it Friday.")


@pytest.mark.parametrize(
    ("text", "said"), [(" \n ", "Write the note"), ("x" * 2_001, "2,001"), ("a\x07b", "plain text")]
)
def test_a_note_is_refused_with_what_to_do(work: Work, text: str, said: str) -> None:
    job = factories.JobFactory()
    with pytest.raises(LedgerError, match=said) as caught:
        add_note(work, job.number, text)
    assert caught.value.field == "note"
    assert work.session.query(Event).count() == 0
