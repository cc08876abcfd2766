"""The survey reader: right files, and wrong ones with their line and cure."""

import numpy as np
import pytest

from roomsim.errors import DefinitionError
from roomsim.files.survey_csv import read_survey


def write(tmp_path, text, name="s.csv"):
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_units_in_column_names_and_as_an_argument(tmp_path):
    metres = read_survey(write(tmp_path, "id,width_m,length_m,height_m,decay_s\na,4.2,5.4,2.5,0.4\nb,3,4,2.4,\n"))
    assert metres.width_m.tolist() == [4.2, 3.0]
    assert metres.decay_s[0] == 0.4 and np.isnan(metres.decay_s[1])
    # One international foot is 0.3048 m exactly.
    feet = read_survey(write(tmp_path, "width;length;height\n10;20;8\n"), units="ft")
    assert [feet.width_m[0], feet.length_m[0], feet.height_m[0]] == pytest.approx([3.048, 6.096, 2.4384])
    mixed = read_survey(write(tmp_path, "width_m\tlength_ft\theight_m\n4\t20\t2.5\n"))
    assert mixed.length_m[0] == pytest.approx(6.096)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "the file is empty"),
        ("  \n \n", "the file is empty"),
        ("width_m,length_m,height_m\n", "a header and no rooms"),
        ("width_m,length_m\n4,5\n", "s.csv:1 height_m: this column is missing"),
        ("width,length,height\n4,5,2.5\n", "s.csv:1 width: has no unit; call it width_m or width_ft"),
        ("width_m,width_ft,length_m,height_m\n4,13,5,2.5\n", "with two units"),
        ("width_m,width_m,length_m,height_m\n4,13,5,2.5\n", "stands twice"),
        ("width_m;length_m;height_m\n4,2;5,4;2,5\n", "s.csv:2 width_m = '4,2': must be a number; write 4.2"),
        ("width_m;length_m;height_m\n1,200;5;2.5\n", "leave out the thousands separators"),
        ("width_m,length_m,height_m\n4,2,5,4,2,5\n", "more fields than the header"),
        ("width_m,length_m,height_m\n4,5,2.5\n-4,5,2.5\n", "s.csv:3 width_m = '-4': must be above 0"),
        ("width_m,length_m,height_m\n4,0,2.5\n", "length_m = '0': must be above 0"),
        ("width_m,length_m,height_m\n4,five,2.5\n", "s.csv:2 length_m = 'five': must be a number"),
        ("width_m,length_m,height_m\n4,,2.5\n", "s.csv:2 length_m = '': must be a number"),
        ("width_m,length_m,height_m\n4 m,5,2.5\n", "the unit belongs into the column's name"),
        ("width_m,length_m,height_m\n4,inf,2.5\n", "must be a number"),
        (b"width_m,length_m,height_m\n4,5\x00,2.5\n", "is no text file"),
        (b"width_m,length_m,height_m,furnishing\n4,5,2.5,\xff\xfe\n", "is not UTF-8"),
    ],
)
def test_wrong_files(tmp_path, text, message):
    with pytest.raises(DefinitionError) as caught:
        read_survey(write(tmp_path, text))
    assert message in str(caught.value)


def test_all_problems_come_at_once_and_many_are_cut(tmp_path):
    rows = "\n".join("x,5,2.5" for _ in range(50))
    with pytest.raises(DefinitionError) as caught:
        read_survey(write(tmp_path, f"width_m,length_m,height_m\n{rows}\n"))
    assert len(caught.value.problems) == 21
    assert "and 30 problems more" in str(caught.value)


def test_a_missing_file_and_bad_units_are_errors(tmp_path):
    with pytest.raises(DefinitionError, match="cannot be read"):
        read_survey(tmp_path / "none.csv")
    with pytest.raises(DefinitionError, match="must be m or ft"):
        read_survey(tmp_path / "none.csv", units="cm")


def test_many_rows_are_read_whole(tmp_path):
    count = 200_000
    path = write(tmp_path, "width_m,length_m,height_m\n" + "4.2,5.4,2.5\n" * count)
    assert len(read_survey(path)) == count
