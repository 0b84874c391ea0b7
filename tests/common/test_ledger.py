"""A table that grows: what was kept is read back to the bit, and nothing of anyone else's is touched."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from facetrace.common.errors import FileError
from facetrace.common.ledger import Ledger, fingerprint_of

COLUMNS = {"angle": float, "mains": int, "light": float, "remark": str}
FINGERPRINT = fingerprint_of({"seed": 1})


def ledger(path, fingerprint=FINGERPRINT, **wishes):
    return Ledger.open(path, fingerprint, COLUMNS, ("angle", "mains"), about="a test", **wishes)


def row(i, light=None, remark=None):
    return {"angle": 40 + i / 3, "mains": i, "light": light, "remark": remark}


floats = st.floats(allow_nan=False, allow_infinity=False)
remarks = st.none() | st.text(st.characters(codec="utf-8", exclude_characters="\r\x00"), min_size=1)


@given(st.lists(st.tuples(floats, st.none() | floats, remarks), max_size=5))
def test_what_is_read_back_is_what_was_written(tmp_path_factory, cells):
    path = tmp_path_factory.mktemp("ledger") / "t.csv"
    rows = [{"angle": a, "mains": i, "light": b, "remark": c} for i, (a, b, c) in enumerate(cells)]
    with ledger(path) as first:
        for each in rows:
            first.add(each)
    assert list(ledger(path).rows.values()) == rows
    assert [type(r["mains"]) for r in ledger(path).rows.values()] == [int] * len(rows)


def fill_and_stop(path, rows):
    with ledger(path) as part:
        for each in rows:
            part.add(each)
        raise KeyboardInterrupt


def test_stopped_and_resumed_is_the_same_file(tmp_path):
    rows = [row(i, math.sqrt(i), "no place, for: 'star'\n" if i % 3 else None) for i in range(12)]
    with ledger(tmp_path / "whole.csv") as whole:
        for each in rows:
            whole.add(each)
    with pytest.raises(KeyboardInterrupt):
        fill_and_stop(tmp_path / "part.csv", rows[:7])
    with ledger(tmp_path / "part.csv") as part:
        assert list(part.rows.values()) == rows[:7]
        for each in rows[7:]:
            part.add(each)
    assert (tmp_path / "part.csv").read_bytes() == (tmp_path / "whole.csv").read_bytes()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["part.csv", "whole.csv"]


def test_work_of_others_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "t.csv"
    with ledger(path) as mine:
        mine.add(row(1))
    before = path.read_bytes()
    with pytest.raises(FileError, match=r"t\.csv: holds other work .*--fresh"):
        ledger(path, fingerprint_of({"seed": 2}))
    assert path.read_bytes() == before
    with ledger(path, fingerprint_of({"seed": 2}), fresh=True) as anew:
        assert not anew.rows
        anew.add(row(2))
    assert len(ledger(path, fingerprint_of({"seed": 2})).rows) == 1
    foreign = tmp_path / "accounts.csv"
    foreign.write_text("date,sum\n", encoding="utf-8")
    for fresh in (False, True):
        with pytest.raises(FileError, match=r"accounts\.csv:1: is no table of facetrace"):
            ledger(foreign, fresh=fresh)
    assert foreign.read_text(encoding="utf-8") == "date,sum\n"


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("41.0,3,0.5,\n", "41.0,3,0.5\n", ":5: has 3 cells for 4 columns"),
        ("41.0,3,0.5,", "41.0,3,x.5,", ":5: light: 'x.5' is not a number"),
        ("41.0,3,0.5,", "41.0,3.5,0.5,", ":5: mains: '3.5' is not a number"),
        ("41.0,3,0.5,", '41.0,3,0.5,"', "is damaged"),
        ("angle,mains", "mains,angle", ":3: does not name the columns"),
    ],
)
def test_damage_is_named_by_line(tmp_path, old, new, words):
    path = tmp_path / "t.csv"
    with ledger(path) as mine:
        mine.add(row(0, 0.25))
        mine.add({"angle": 41.0, "mains": 3, "light": 0.5, "remark": None})
        mine.add(row(5, 0.75))
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(FileError) as caught:
        ledger(path)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_fingerprint_tells_facts_apart():
    facts = {"seed": 1, "design": {"angle": 42.0}, "spectrum": b"\0\1"}
    others = [
        facts | {"seed": 2},
        facts | {"design": {"angle": math.nextafter(42.0, 43)}},
        facts | {"spectrum": b"\0\2"},
        facts | {"more": None},
    ]
    assert len({fingerprint_of(f) for f in (facts, *others)}) == 5
    assert fingerprint_of(dict(reversed(facts.items()))) == fingerprint_of(facts)


def test_without_a_path_nothing_is_written(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with ledger(None) as memory:
        memory.add(row(1))
    assert not list(tmp_path.iterdir())
    assert memory.rows[memory.key_of(row(1))] == row(1)


def test_what_is_no_result_is_not_taken_for_one(tmp_path):
    path = tmp_path / "t.csv"
    with ledger(path) as first:
        first.add(row(1, 0.5))
        first.add(row(2, None, "cannot be cut"))
    whole = path.read_text()
    assert len(ledger(path, needed=["light"]).rows) == 2
    path.write_text(whole.replace("0.5", "inf"))
    with pytest.raises(FileError, match=r"t.csv:4: light: 'inf' is no result"):
        ledger(path)
    path.write_text(whole.replace(",0.5,", ",,"))
    with pytest.raises(FileError, match=r"t.csv:4: light: is empty"):
        ledger(path, needed=["light"])


def test_a_second_run_on_the_same_file_is_told_to_wait(tmp_path):
    path = tmp_path / "t.csv"
    with ledger(path) as first:
        # from the first moment, and after each saving
        for i in range(3):
            for fresh in (False, True):
                with (
                    pytest.raises(FileError, match=r"t\.csv: another run is writing to it"),
                    ledger(path, fresh=fresh),
                ):
                    pass
            first.add(row(i, 0.5))
            first.save()
    with ledger(path) as second:
        assert len(second.rows) == 3
    assert [p.name for p in tmp_path.iterdir()] == ["t.csv"]


def test_without_locks_another_run_in_the_same_file_is_noticed(tmp_path, monkeypatch):
    """As on a network drive that has no locks."""
    for module in ("ledger", "output", "locks"):
        monkeypatch.setattr(f"facetrace.common.{module}.try_lock", lambda _: None)
    path = tmp_path / "t.csv"
    first = ledger(path)
    first.add(row(1, 0.5))
    with ledger(path, fingerprint_of({"seed": 2}), fresh=True) as second:
        second.add(row(7, 0.7))
    first.add(row(2, 0.6))
    with pytest.raises(FileError, match="was changed by another program or run meanwhile"):
        first.save()
    assert "0.7" in path.read_text()


def test_what_another_program_saved_meanwhile_is_left_alone(tmp_path):
    path = tmp_path / "t.csv"

    def saved_twice():
        with ledger(path) as mine:
            mine.add(row(1, 0.5))
            path.write_text(path.read_text() + "edited\n")
            mine.add(row(2, 0.5))
            mine.save()

    with pytest.raises(FileError, match="is left as it is"):
        saved_twice()
    assert path.read_text().endswith("edited\n")


def test_no_rows_leave_no_file(tmp_path):
    with ledger(tmp_path / "t.csv"):
        pass
    assert not list(tmp_path.iterdir())


def test_a_file_taken_away_meanwhile_comes_again(tmp_path):
    path = tmp_path / "t.csv"
    with ledger(path) as mine:
        mine.add(row(1, 0.5))
        path.unlink()
        mine.add(row(2, 0.5))
    assert len(ledger(path).rows) == 2


def test_rows_kept_are_never_fewer_on_the_way(tmp_path):
    """``keep`` puts all in place in one saving."""
    path = tmp_path / "t.csv"
    with ledger(path) as mine:
        for i in range(5):
            mine.add(row(i, 0.5))
        mine.save()
        whole = path.read_bytes()
        mine.replace_rows([row(i, 0.5) for i in (4, 2)])
        assert path.read_bytes() == whole
    assert [r["mains"] for r in ledger(path).rows.values()] == [4, 2]
