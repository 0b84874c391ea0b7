"""What is meant by a number with a comma, and by a name that is nearly right."""

import pytest

from facetrace.common.meant import comma_in, nearest


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("2,5", "2,5 has a decimal comma; write 2.5"),
        ("-0,25", "-0,25 has a decimal comma; write -0.25"),
        # thousands in English, a fraction elsewhere: whoever knows is asked
        ("1,200", "1,200 has a comma; write 1200, or 1.200 for a little over 1"),
        ("0,125", "0,125 has a decimal comma; write 0.125"),
        ("1200", None),
        ("1,2,3", None),
    ],
)
def test_commas(text, says):
    assert comma_in(text) == says


@pytest.mark.parametrize(
    ("word", "known", "meant"),
    [
        ("table", ["style", "table_percent", "stable"], "table_percent"),
        ("crown", ["pavilion.angle", "crown.angle", "crown.mains"], "crown.angle"),
        ("tabel", ["culet", "table"], "table"),
        ("price", ["r", "p"], None),
    ],
)
def test_names(word, known, meant):
    assert nearest(word, known) == meant
