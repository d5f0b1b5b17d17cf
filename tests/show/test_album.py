"""Photos, diary, album and word table."""

import re
from datetime import datetime
from io import BytesIO

import pandas as pd
import pytest
from PIL import Image

from tests.browser import needs_browser, opened, overlaps_and_clips, until
from tests.rounds.tasted_round import answers, data_of, page_of, tasted
from trials.analysis.counted import word_table, words_of
from trials.base.errors import FitError, SheetError
from trials.doors.cli import run
from trials.rounds.diary import (
    LONGEST_NOTE,
    LONGEST_SIDE,
    add_photo,
    photos,
    read_diary,
    write_note,
)
from trials.rounds.scores import scores
from trials.show.album import album

NOON = datetime(2026, 5, 7, 12)
TURNED, PLACE = 6, 0x8825  # EXIF: a quarter turn to the right; where it was taken


def photo(path, size=(4000, 3000), *, turned=False):
    """A photo as a phone makes it: large, turned by a mark, with the place it was taken at."""
    picture = Image.new("RGB", size, "white")
    picture.paste("black", (0, 0, size[0] // 2, size[1]))  # left half black
    marks = Image.Exif()
    marks[0x010F] = "a camera"
    if turned:
        marks[0x0112] = TURNED
    marks.get_ifd(PLACE)[2] = (48.0, 8.0, 15.0)
    marks.get_ifd(PLACE)[1] = "N"
    picture.save(path, exif=marks, comment=b"secret")
    return path


def shown(path):
    """A picture as any program finds it, the file being closed again."""
    return Image.open(BytesIO(path.read_bytes()))


@pytest.fixture
def one(tmp_path):
    return tasted(tmp_path)


def test_a_photo_is_kept_small_and_without_place_or_camera(one, tmp_path):
    came = photo(tmp_path / "IMG.jpg")
    assert dict(shown(came).getexif().get_ifd(PLACE))
    kept = add_photo(one, "B01", came)
    assert kept == one.folder / "photos/B01-1.jpg"
    found = shown(kept)
    assert max(found.size) == LONGEST_SIDE
    assert dict(found.getexif()) == {}
    assert not {"exif", "comment", "icc_profile", "xmp"} & set(found.info)
    raw = kept.read_bytes()
    assert b"camera" not in raw
    assert b"secret" not in raw
    assert b"Exif" not in raw
    assert came.stat().st_size != len(raw)
    assert add_photo(one, "B01", came).name == "B01-2.jpg"
    assert [path.name for path in photos(one, "B01")] == ["B01-1.jpg", "B01-2.jpg"]
    assert photos(one, "B02") == []


def test_a_turned_photo_stands_upright(one, tmp_path):
    """Left half black, turned a quarter to the right: the upper half is black."""
    kept = shown(add_photo(one, "B01", photo(tmp_path / "IMG.jpg", (400, 200), turned=True)))
    assert kept.size == (200, 400)
    assert kept.getpixel((100, 20))[0] < 40
    assert kept.getpixel((100, 380))[0] > 215


def test_clear_parts_of_a_drawing_become_white(one, tmp_path):
    path = tmp_path / "crumb.png"
    Image.new("RGBA", (20, 20), (0, 0, 0, 0)).save(path)
    assert shown(add_photo(one, "B01", path)).getpixel((5, 5)) == (255, 255, 255)


def _swollen() -> bytes:
    """A picture that says it has 40,000 by 40,000 pixels."""
    content = BytesIO()
    Image.new("1", (1, 1)).save(content, "PNG")
    return content.getvalue().replace(
        (1).to_bytes(4, "big") * 2, (40_000).to_bytes(4, "big") * 2, 1
    )


@pytest.mark.parametrize(
    "content",
    [b"", b"hello", b"\xff\xd8\xff\xe0 cut", b"%PDF-1.4", b"<svg onload='alert(1)'/>", _swollen()],
)
def test_what_is_no_photo_is_refused_with_its_name(one, tmp_path, content):
    path = tmp_path / "shot.jpg"
    path.write_bytes(content)
    with pytest.raises(SheetError, match=r"shot\.jpg"):
        add_photo(one, "B01", path)
    assert photos(one, "B01") == []


def test_a_photo_cut_short_an_unknown_bake_and_a_missing_file_are_refused(one, tmp_path):
    path = photo(tmp_path / "shot.jpg")
    with pytest.raises(SheetError, match="no bake"):
        add_photo(one, "../B01", path)
    path.write_bytes(path.read_bytes()[:3000])
    with pytest.raises(SheetError, match="damaged"):
        add_photo(one, "B01", path)
    with pytest.raises(SheetError, match="no such file"):
        add_photo(one, "B01", tmp_path / "none.jpg")


def test_notes_are_dated_kept_word_for_word_and_found_by_day_and_bake(tmp_path):
    words = '=1+1 <b>hot</b>\n😀, "quoted"'
    write_note(tmp_path, words, day=2, bake="B03", bakes=["B03"], now=NOON)
    write_note(tmp_path, "rain", day=2, now=NOON)
    assert read_diary(tmp_path)["note"].tolist() == [words, "rain"]
    assert read_diary(tmp_path)["time"].tolist() == ["2026-05-07 12:00"] * 2
    assert read_diary(tmp_path, bake="B03")["note"].tolist() == [words]
    assert len(read_diary(tmp_path, day=2)) == 2
    assert read_diary(tmp_path, day=1).empty
    assert ",'=1+1" in (tmp_path / "diary.csv").read_text("utf-8").replace('"', "")


@pytest.mark.parametrize(
    ("note", "bake"), [(" ", ""), ("x" * (LONGEST_NOTE + 1), ""), ("fine", "B99")]
)
def test_a_note_that_can_not_be_kept_is_refused(tmp_path, note, bake):
    with pytest.raises(SheetError, match=r"diary\.csv"):
        write_note(tmp_path, note, bake=bake, bakes=["B01"])
    assert read_diary(tmp_path).empty


def filled(round_):
    folder = round_.folder / "incoming"
    folder.mkdir()
    ballot = data_of(page_of(round_, "Ida").read_text("utf-8"))
    text = answers(ballot, liking="7", note="<script>alert(1)</script> crisp", smells_of="toast")
    (folder / "ida.csv").write_text(text, "utf-8")
    return scores(round_)


@needs_browser
def test_photos_and_notes_stand_beside_the_scores(one, tmp_path):
    table = filled(one)
    add_photo(one, "B01", photo(tmp_path / "IMG.jpg"))
    write_note(one.folder, "<b>browned</b>", bake="B01")
    write_note(one.folder, "rain all day", day=1)
    markup = album(one, table)
    assert markup.count("<img") == 1
    assert "<b>browned" not in markup
    assert "<script>alert" not in markup
    part = re.search(r"<h2>B01</h2>.*?</section>", markup, re.S).group()
    assert "liking 7" in part
    assert "“toast”" in part
    assert "<img" in part
    assert "browned" in part
    assert "rain all day" in markup.split("<section")[0]
    assert album(one, bake="B02").count("<section") == 1
    path = tmp_path / "album.html"
    path.write_text(markup, "utf-8")
    with opened(path) as page:
        until(page, "document.images[0].naturalWidth > 0")
        assert overlaps_and_clips(page) == []


def test_words_are_counted_by_setting_each_once_a_tasting(one):
    table = filled(one)
    found = word_table(table, "fat", words_in=["note", "smells of"]).set_index("word")
    tasted_rows = table[table["taster"] == "Ida"]
    for fat in ("butter", "sunflower oil"):
        assert found.loc["toast", fat] == (tasted_rows["fat"] == fat).sum()
    assert found.loc["crisp", "all"] == len(tasted_rows)
    with pytest.raises(FitError, match="no column"):
        word_table(table, "flour")


def test_words_in_any_tongue_denials_and_rare_words():
    assert words_of("Süß, süß und KNUSPRIG! 10/10 😀") == {"süß", "und", "knusprig"}
    assert words_of("not crisp; no salt, never dry") == {"not crisp", "not salt", "not dry"}
    assert words_of("melt-in-the-mouth") == {"melt-in-the-mouth"}
    said = pd.DataFrame({"fat": ["a", "a"], "note": ["crisp crisp", "x" * 100_000]})
    assert word_table(said, "fat", least=2).empty
    assert word_table(said, "fat", least=1).attrs["tastings"] == {"a": 2}


def test_notes_photos_and_the_album_have_commands(one, tmp_path, capsys):
    folder, shot = str(one.folder), str(photo(tmp_path / "IMG.jpg", (300, 200)))
    filled(one)
    assert run(["note", folder, "oil", "foamed", "--bake", "B01"]) == 0
    assert run(["photo", folder, "B01", shot]) == 0
    assert run(["album", folder]) == 0
    assert "oil foamed" in (one.folder / "album.html").read_text("utf-8")
    assert run(["note", folder, "oil foamed", "--bake", "B99"]) == 1
    assert run(["photo", folder, "B01", folder]) == 1
    assert "no bake of this round" in capsys.readouterr().err


def test_a_diary_of_before_takes_notes_on_findings(tmp_path):
    (tmp_path / "diary.csv").write_text("time,day,bake,note\n2026-05-07 12:00,,B01,wet\n", "utf-8")
    write_note(tmp_path, "we like salt", about="liking", now=NOON)
    assert read_diary(tmp_path, about="liking")["note"].tolist() == ["we like salt"]
    assert read_diary(tmp_path, about="", bake="B01")["note"].tolist() == ["wet"]
