"""The comparison with printed tables must itself be able to fail."""

import pytest
from printed import assert_printed, published_table

ROW = {"q": "2.36253", "di_db": "-.008", "whole": "12"}


def test_values_that_round_to_the_print_pass():
    assert_printed({"q": 2.3625349, "di_db": -0.0083, "whole": 12.4}, ROW)


@pytest.mark.parametrize(
    "computed", [{"q": 0.0}, {"di_db": 0.0}, {"q": 2.362541}, {"di_db": -0.0086}, {"whole": 11.4},
                 {"q": float("nan")}, {}],
)
def test_zeros_and_values_past_the_last_digit_fail(computed):
    with pytest.raises(AssertionError):
        assert_printed(computed, ROW)


def test_tables_keep_their_digits_and_name_their_source():
    assert published_table("beranek-mellow2012_piston")[0]["q"] == "2.00334"
