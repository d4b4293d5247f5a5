import pytest

from app.errors import BitternError
from app.fitting import LockModel, MakerFile, cams_for_lock
from app.fitting.cams import Cam, CamChoice, cam_for


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


PIER = LockModel("Own", "Pier 20", "Pier", "mortise")
LONG = Cam("Own", "long", "C-2", ("Pier",))
HOOKED = Cam("Own", "hooked", "C-3", ("Pier 20",))
SHORT = Cam("Own", "short", "C-1", ("Pier",), (("Pier 20", "it fouls the bolt."),))
OTHER = Cam("Other", "flat", "F-9", ("Pier",))


def test_a_cam_serves_a_series_or_a_lock_by_its_name() -> None:
    locks = [LockModel("Own", "Pier 30", "Pier", "mortise"), PIER]
    names = {lock.name: [each.cam.name for each in cams_for_lock([LONG, HOOKED], locks, lock.name)] for lock in locks}
    assert names == {"Pier 30": ["long"], "Pier 20": ["long", "hooked"]}
    assert cams_for_lock([LONG], locks, "  pier 20 ")[0].words == "The long cam works Pier 20."


def test_the_cam_that_was_asked_for_is_taken_where_it_works() -> None:
    cams = [SHORT, LONG, HOOKED, OTHER]
    assert cam_for(cams, PIER, "OWN") == CamChoice("long", "The long cam works Pier 20.")
    assert cam_for(cams, PIER, "Own", "Hooked") == CamChoice("hooked", "The hooked cam works Pier 20.")


def test_a_cam_that_does_not_work_gives_way_to_one_that_does() -> None:
    cams = [SHORT, LONG, HOOKED]
    assert cam_for(cams, PIER, "Own", "short") == CamChoice(
        "long",
        "The short cam serves Pier but not Pier 20: it fouls the bolt. It takes the long or hooked cam.",
        is_wrong=True,
    )
    assert cam_for(cams, PIER, "Own", "flat") == CamChoice(
        "long",
        "The flat cam of Own is not made for Pier 20. It takes the long or hooked cam.",
        is_wrong=True,
    )


def test_where_no_cam_of_the_maker_is_known_the_locks_own_maker_is_asked() -> None:
    fouls = "The short cam serves Pier but not Pier 20: it fouls the bolt. "
    unknown = "The cam of Own that works Pier 20 is not known: "
    assert cam_for([SHORT], PIER, "Own") == CamChoice("", f"{fouls}{unknown}ask Own for the lock's own.")
    assert cam_for([SHORT, OTHER], PIER, "Own", "flat") == CamChoice(
        "", f"{fouls}{unknown}Other's own for this lock is flat (F-9)."
    )
    assert cam_for([SHORT], PIER, "Other") == CamChoice(
        "", "The cam of Other that works Pier 20 is not known: ask Own for the lock's own."
    )


def test_of_two_cams_that_do_not_work_the_one_asked_for_says_why() -> None:
    bent = Cam("Own", "bent", "C-4", ("Pier",), (("Pier 20", "it is too wide."),))
    words = cam_for([SHORT, bent], PIER, "Own", "bent").words
    assert words.startswith("The bent cam serves Pier but not Pier 20: it is too wide. The cam of Own")
