"""Lists of people and trainers: all or nothing, again without change, mistakes named by line."""

from __future__ import annotations

import csv
import io
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from review.cli import COULD_NOT, DONE, main
from review.enrolment import LARGEST, EnrolmentError, Plan, State, make_plan
from review.places import UNIT_VARIABLE
from review.roles import Role
from review.store import Store, StoreError, open_store
from review.store.records import Person, Trainer
from tests.accounts import PASSPHRASE, quick_hashes

LIST = (
    "kind,code,language,note,name\r\n"
    "person,P-101,es,comes on Mondays,\r\n"
    "person,P-102,,,\r\n"
    "trainer,T-9,,,Invented trainer\r\n"
)
THERE = [Person("P-1", "left-handed", "es", True), Person("P-2", "", "en", False)]
TEACH = [Trainer("T-1", "Tess Invented", True)]


def plan(text: str | bytes, people: list[Person] | None = None) -> Plan:
    content = text if isinstance(text, bytes) else text.encode()
    return make_plan(content, "list.csv", THERE if people is None else people, TEACH)


def refused(text: str | bytes) -> list[tuple[int, str]]:
    made = plan(text)
    assert not made.people and not made.trainers
    return [(line.line, line.why) for line in made.lines if line.state is State.REFUSED]


# --- reading -------------------------------------------------------------------------------------


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("end", ["\r\n", "\n"])
def test_it_reads_what_spreadsheets_write(separator: str, mark: bytes, end: str) -> None:
    """RFC 4180 with commas; semicolons and tabs as spreadsheets of many countries write them."""
    text = LIST.replace(",", separator).replace("\r\n", end)
    made = plan(mark + text.encode())
    assert made == plan(LIST)
    assert made.people == (
        Person("P-101", "comes on Mondays", "es", True), Person("P-102", "", "en", True),
    )  # fmt: skip
    assert made.trainers == (Trainer("T-9", "Invented trainer", True),)
    assert [(line.line, line.state) for line in made.lines] == [
        (2, State.ADDED), (3, State.ADDED), (4, State.ADDED),
    ]  # fmt: skip


def test_codes_alone_are_a_list() -> None:
    assert [person.code for person in plan("Code\nP-3\n\n P-4 \n").people] == ["P-3", "P-4"]


def test_lines_are_counted_as_an_editor_counts_them() -> None:
    text = 'sep=;\ncode;note\nP-3;"two\nlines; and more"\n\nP-4;\nP-3;\n'
    assert refused(text) == [(7, "the same code as in line 3; every code may stand once only")]


codes = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9._-]{0,20}", fullmatch=True).filter(
    lambda code: not any(c.isdigit() for c in code)
)
notes = st.text(
    st.characters(categories=["L", "Nd", "Zs"], include_characters=',;"'), max_size=30
).map(lambda words: " ".join(words.split()))


@settings(max_examples=25)
@given(st.dictionaries(codes.map(str.lower), notes, min_size=1, max_size=8))
def test_what_pythons_own_writer_writes_comes_back(rows: dict[str, str]) -> None:
    """Read back with the standard library's writer (RFC 4180) as the other side."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(["code", "note"])
    writer.writerows(rows.items())
    made = plan(text.getvalue(), people=[])
    assert {person.code: person.note for person in made.people} == rows


@given(st.binary(max_size=200))
def test_any_bytes_are_a_plan_or_one_line(content: bytes) -> None:
    try:
        made = make_plan(content, "x.csv", [], [])
    except EnrolmentError as error:
        assert "\n" not in str(error) and str(error).startswith("x.csv: ")
    else:
        assert len(made.people) + len(made.trainers) <= len(made.lines)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "it is empty"),
        (b"\xef\xbb\xbf \r\n", "it is empty"),
        (LIST.encode("utf-16"), "looks like UTF-16"),
        (LIST.encode("utf-16-le"), "looks like UTF-16"),
        ("code,note\nP-3,\nP-4,mañana\n".encode("latin-1"), "line 3 holds a character that is not"),
        (b"PK\x03\x04rest", "this is a spreadsheet"),
        (b"code\n" + b"P" * LARGEST, "larger than 4 MiB"),
        (b'code,note\nP-3,"open\n', "line 2: the quotes do not fit"),
        (b"code,note,Code\nP-3,,\n", "stands twice"),
        (b"cod\nP-3\n", "unknown column 'cod' .did you mean 'code'"),
        (b"language\nes\n", "no column 'code'"),
        (b"code,name\nP-3,x\n", "the column 'name' is for trainers"),
    ],
)
def test_a_list_that_cannot_be_read_is_one_line(content: bytes, said: str) -> None:
    with pytest.raises(EnrolmentError, match=said) as caught:
        plan(content)
    assert "\n" not in str(caught.value) and str(caught.value).startswith("list.csv: ")


@pytest.mark.parametrize(
    "column",
    ["Surname", "first name", "Full name", "Nombre", "Apellidos", "Vorname", "Prénom", "DOB",
     "Date of birth", "Fecha de nacimiento", "Geburtsdatum", "E-mail", "Phone", "Age"],
)  # fmt: skip
def test_columns_that_tell_who_somebody_is_are_refused_kindly(column: str) -> None:
    with pytest.raises(EnrolmentError, match="the unit's own code is enough"):
        plan(f"code,{column}\nP-3,x\n")


# --- lines ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (",P 3,,,", "'P 3' cannot be the person's code"),
        (",Ñ-3,,,", "cannot be the person's code"),
        (f",{'P' * 41},,,", "use 1 to 40 letters"),
        (",,es,,", "the code is empty"),
        (",1951-03-12,,,", "looks like a date of birth; the unit's own code is enough"),
        (",12.03.1951,,,", "looks like a date of birth"),
        (",3-12-51,,,", "looks like a date of birth"),
        (",=1+1,,,", "the code begins like a formula"),
        (',P-3,,"@SUM(A1)",', "the note begins like a formula"),
        (",P-3,,a \u202ebc,", "characters that cannot be seen"),
        (",P-3,Spanish,,", "no language tag"),
        (f",P-3,,{'x' * 20_001},", "20,001 characters long"),
        ("nurse,P-3,,,", "'nurse' is no kind"),
        ("person,P-3,,,Paula", "P-3: no name is kept of people who learn"),
        ("trainer,T-3,,,", "name of trainer T-3 is empty"),
        ("trainer,T-3,es,,Tess", "no language and no note"),
        (",P-3,,,,more", "more cells than columns"),
        (",p-1,,,", "P-1 is there already; two codes may not differ by capitals alone"),
        (",P-1,en,,", "is there already with another language and another note"),
        (",P-2,,,", "marked as no longer here"),
        ("trainer,T-1,,,Tom", "is there already with another name"),
    ],
)
def test_a_line_that_cannot_be_taken_says_why(line: str, said: str) -> None:
    found = refused(f"kind,code,language,note,name\nperson,P-77,,,\n{line}\n")
    assert [number for number, _ in found] == [3]
    assert said in found[0][1]


def test_who_is_there_with_the_same_details_stays() -> None:
    made = plan("code,language,note\nP-1,es,left-handed\n")
    assert [line.state for line in made.lines] == [State.UNCHANGED]
    # What the list has no column for is not compared.
    assert [line.state for line in plan("code\nP-1\n").lines] == [State.UNCHANGED]
    assert not made.people


# --- the records ---------------------------------------------------------------------------------


def test_all_are_added_or_none(tmp_path: Path) -> None:
    with open_store(tmp_path) as store:
        store.add_person("P-2", by="test")
        before = store.audit()
        with pytest.raises(StoreError, match="taken by another person"):
            store.enrol([Person("P-1", "", "en", True), THERE[1]], TEACH, by="test")
        assert [person.code for person in store.people()] == ["P-2"] and not store.trainers()
        assert store.audit() == before
        store.enrol([THERE[0]], TEACH, by="test")
        assert store.person("P-1") == THERE[0] and store.trainers() == tuple(TEACH)
        noted = [(entry.what, entry.subject, entry.detail) for entry in store.audit(3)]
        assert noted == [
            ("list taken in", "the unit", "1 people, 1 trainers"),
            ("added", "trainer T-1", "from a list"), ("added", "person P-1", "from a list"),
        ]  # fmt: skip
        assert store.verify_audit().holds


# --- the command ---------------------------------------------------------------------------------


@pytest.fixture
def unit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.delenv(UNIT_VARIABLE, raising=False)
    quick_hashes(monkeypatch)
    open_store(tmp_path / "unit").close()
    return tmp_path / "unit"


def kept(unit: Path) -> tuple[list[str], list[str], int]:
    with open_store(unit) as store:
        people, trainers = store.people(), store.trainers()
        return [p.code for p in people], [t.code for t in trainers], len(store.audit(1000))


def test_from_a_dry_run_to_running_it_again(
    unit: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "list.csv"
    file.write_text(LIST, newline="")
    call = ["people", "import", str(file), "--unit", str(unit)]
    empty = kept(unit)
    assert main([*call, "--dry-run"]) == DONE
    assert capsys.readouterr().out.splitlines() == [
        "line 2: would be added: person P-101 (es)",
        "line 3: would be added: person P-102 (en)",
        "line 4: would be added: trainer T-9 (Invented trainer)",
        f"{file}: 3 to add, 0 there already, 0 refused. Nothing was changed.",
    ]
    assert kept(unit) == empty
    assert main(call) == DONE
    said = capsys.readouterr().out
    assert "line 2: added: person P-101 (es)" in said and "2 people and 1 trainers added" in said
    assert "consent" in said
    full = kept(unit)
    assert full[:2] == (["P-101", "P-102"], ["T-9"])
    assert main(call) == DONE
    assert "0 people and 0 trainers added, 3 were there already" in capsys.readouterr().out
    assert kept(unit) == full  # nothing is written, to the audit neither
    file.write_text(f"{LIST}person,P 3,,,\nperson,P-4,,,\n", newline="")
    for more in (["--dry-run"], []):
        assert main([*call, *more]) == COULD_NOT
        said = capsys.readouterr()
        assert "line 5: refused: 'P 3' cannot be" in said.out
        assert "line 6: would be added: person P-4" in said.out
        assert "1 refused, so nothing was added" in said.err and said.err.count("\n") == 1
    assert kept(unit) == full


@pytest.mark.parametrize("name", ["gone.csv", "."])
def test_a_file_that_is_not_there_is_one_line(
    unit: Path, tmp_path: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["people", "import", str(tmp_path / name), "--unit", str(unit)]) != DONE
    assert capsys.readouterr().out == ""


def test_with_accounts_it_is_an_administrators_work(
    unit: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with open_store(unit) as store:
        _add_accounts(store)
    file = tmp_path / "list.csv"
    file.write_text("code\nP-3\n")
    call = ["people", "import", str(file), "--unit", str(unit)]
    for more, typed, said in (
        ([], "", "say whose it is with --as"),
        (["--as", "ann"], "not this one at all", "do not belong together"),
        (["--as", "tess"], PASSPHRASE, "an administrator's work"),
    ):
        monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
        assert main([*call, *more]) == COULD_NOT
        assert said in capsys.readouterr().err
        assert "P-3" not in kept(unit)[0]
    monkeypatch.setattr(sys, "stdin", io.StringIO(f"{PASSPHRASE}\n"))
    assert main([*call, "--as", "ann"]) == DONE
    assert kept(unit)[0] == ["P-3"]
    with open_store(unit) as store:
        assert {entry.who for entry in store.audit(2)} == {"account ann"}


def _add_accounts(store: Store) -> None:
    store.add_trainer("T-1", "Tess Invented", by="test")
    store.add_account("ann", Role.ADMINISTRATOR, PASSPHRASE, by="test")
    store.add_account("tess", Role.TRAINER, PASSPHRASE, trainer="T-1", by="test")


def test_as_needs_accounts(unit: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "list.csv"
    file.write_text("code\nP-3\n")
    assert main(["people", "import", str(file), "--unit", str(unit), "--as", "ann"]) == COULD_NOT
    assert "this unit has none" in capsys.readouterr().err
