import pytest

from app.errors import BitternError
from app.fitting import LockModel, MakerFile, cams_for_lock
from app.fitting.cams import Cam


def test_the_cam_of_a_lock_and_what_else_it_does_not_serve(ardent: MakerFile) -> None:
    (answer,) = cams_for_lock(ardent.cams, ardent.locks, "ferry 40 passage lock")
    assert (answer.cam.name, answer.fits) == ("standard", True)
    assert answer.words.endswith("(it serves the series but not Ferry 43 deadlock).")


def test_an_exception_is_shown_after_what_fits(ardent: MakerFile) -> None:
    long, standard = cams_for_lock(ardent.cams, ardent.locks, "Ferry 43 deadlock")
    assert (long.cam.name, long.fits) == ("long", True)
    assert (standard.cam.name, standard.fits) == ("standard", False)
    assert "wants the long cam" in standard.words


def test_a_lock_whose_only_cam_does_not_fit(ardent: MakerFile) -> None:
    assert [each.fits for each in cams_for_lock(ardent.cams, ardent.locks, "Narrow 7 with alarm switch")] == [False]


def test_a_lock_that_takes_no_cam_and_one_that_is_not_there(ardent: MakerFile) -> None:
    assert cams_for_lock(ardent.cams, ardent.locks, "Tidewater 6 night latch") == ()
    with pytest.raises(BitternError, match="no lock 'Ferry 99'"):
        cams_for_lock(ardent.cams, ardent.locks, "Ferry 99")


def test_letters_large_or_small_do_not_hide_an_exception() -> None:
    lock = LockModel("Own", "Pier 20", "Pier", "mortise")
    cam = Cam("Own", "long", "C-2", ("PIER",), (("pier 20", "it fouls the bolt."),))
    (answer,) = cams_for_lock([cam], [lock], "Pier 20")
    assert not answer.fits and "it fouls the bolt." in answer.words
