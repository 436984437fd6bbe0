"""Readings as instruments' programs write them, and as nobody should."""

import contextlib
import random
import time
from collections.abc import Callable
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platemark.model.cgats import LARGEST_FILE, BadReadings, read_tables
from platemark.model.patch_strip import PATCHES
from platemark.model.readings import Readings, read_strip

LAB = [(96 - n * 2.1, n * 0.5 - 8, 6 - n * 0.4) for n in range(36)]


def strip(
    *, fields: str = "SAMPLE_ID SAMPLE_NAME RGB_R RGB_G RGB_B LAB_L LAB_A LAB_B",
    row: Callable[[int], str] | None = None, head: str = 'FILTER "M1"\n', sets: int = 36,
    end: str = "END_DATA\n", times: int = 1,
) -> str:  # fmt: skip
    """A strip as text."""

    def usual(n: int) -> str:
        rgb = " ".join(map(str, PATCHES[n].rgb))
        return f'{n + 1} "{PATCHES[n].name}" {rgb} ' + " ".join(f"{v:.2f}" for v in LAB[n])

    made = row or usual
    rows = "\n".join(made(n) for _ in range(times) for n in range(36))
    return (
        f"CGATS.17\n{head}NUMBER_OF_FIELDS {len(fields.split())}\nBEGIN_DATA_FORMAT\n{fields}\n"
        f"END_DATA_FORMAT\nNUMBER_OF_SETS {sets * times}\nBEGIN_DATA\n{rows}\n{end}"
    )


def read(text: str | bytes, **more: object) -> Readings:
    data = text if isinstance(text, bytes) else text.encode()
    return read_strip(data, **{"scale": None, "condition": None, **more})  # type: ignore[arg-type]


def refusal(text: str | bytes, **more: object) -> str:
    with pytest.raises(BadReadings) as caught:
        read(text, **more)
    assert str(caught.value).endswith((".", "”."))
    return str(caught.value)


def scaled(n: int) -> str:
    rgb = " ".join(f"{value / 2.55:.2f}" for value in PATCHES[n].rgb)
    return f"{n + 1} x {rgb} " + " ".join(f"{value:.2f}" for value in LAB[n])


WAYS: dict[str, Callable[[str], str | bytes]] = {
    "as it is": lambda text: text,
    "Windows lines": lambda text: text.replace("\n", "\r\n"),
    "old lines": lambda text: text.replace("\n", "\r"),
    "tabs": lambda text: text.replace(" ", "\t").replace("light\tskin", "light skin"),
    "UTF-8 with its mark": lambda text: b"\xef\xbb\xbf" + text.encode(),
    "UTF-16": lambda text: text.encode("utf-16"),
    "Latin-1": lambda text: text.replace("\nFILTER", '\nORIGINATOR "Müller"\nFILTER').encode(
        "latin-1"
    ),
    "comments": lambda text: text.replace("\nFILTER", "\n# a strip # twice\n\nFILTER").replace(
        "END_DATA\n", "# end\nEND_DATA\n"
    ),
    "doubled marks": lambda text: text.replace(
        "\nFILTER", '\nDESCRIPTOR "a 8"" one, ""mine"""\nFILTER'
    ),
    "names in small letters": lambda text: text.replace("LAB_L", "lab_l").replace(
        "BEGIN_DATA_FORMAT", "begin_data_format"
    ),
    "a keyword of its own": lambda text: text.replace(
        "\nFILTER", '\nKEYWORD "SHOP"\nSHOP "mine"\nFILTER'
    ),
    "rows over two lines": lambda text: text.replace(" 255 255 255 ", " 255 255 255\n  "),
    "two rows a line": lambda text: text.replace('\n2 "black"', ' 2 "black"'),
    "a second table": lambda text: text + text[: text.index("BEGIN_DATA\n")].replace(
        "RGB_R RGB_G RGB_B LAB_L LAB_A LAB_B", "A B C D E F"
    ).replace("SETS 36", "SETS 1") + "BEGIN_DATA\n1 x 1 2 3 4 5 6\nEND_DATA\n",
    "no count": lambda text: text.replace("NUMBER_OF_SETS 36\n", ""),
    "exponents": lambda text: text.replace(" 96.00 ", " 9.6e1 ").replace("-8.00", "-.8E+1"),
}  # fmt: skip


@pytest.mark.parametrize("way", WAYS)
def test_the_same_strip_in_every_way_it_is_written(way: str) -> None:
    """It reads as the same 34 colours; paper and black are each the mean of two."""
    readings = read(WAYS[way](strip()))
    assert len(readings.patches) == 34
    assert readings.condition == "M1"
    assert readings.patches[0].patch.name == "paper"
    mean = (Decimal(str(LAB[0][0])) + Decimal(str(round(LAB[34][0], 2)))) / 2
    assert readings.patches[0].lab[0] == mean.quantize(Decimal("0.01"))
    assert [len(each.readings) for each in readings.patches].count(1) == 32


def test_a_scale_is_asked_for_and_never_guessed() -> None:
    """RGB of 0 to 100 is ambiguous: it is asked, and the wrong answer is found out."""
    text = strip(row=scaled)
    assert "whether they are of 100 or of 255" in refusal(text)
    assert "no colour of our strip" in refusal(text, scale=255)
    assert read(text, scale=100).patches == read(strip()).patches
    # Values above 100 can be of 255 alone; whoever says 100 is told.
    assert "no colour of our strip" in refusal(strip(), scale=100)


def test_patches_without_rgb_are_told_by_name_or_number() -> None:
    """Names of the strip, or numbers from 1; anything else is not taken for a place."""
    by_name = strip(
        fields="SAMPLE_NAME LAB_L LAB_A LAB_B",
        row=lambda n: f'"{PATCHES[n].name.upper()}" ' + " ".join(f"{v:.2f}" for v in LAB[n]),
    )
    by_number = strip(
        fields="SAMPLE_ID LAB_L LAB_A LAB_B",
        row=lambda n: f"{36 - n} " + " ".join(f"{v:.2f}" for v in LAB[35 - n]),
    )
    unnamed = strip(
        fields="SAMPLE_ID LAB_L LAB_A LAB_B",
        row=lambda n: f"A{n} " + " ".join(f"{v:.2f}" for v in LAB[n]),
    )
    assert read(by_name).patches == read(strip()).patches
    assert [each.lab for each in read(by_number).patches] == [
        each.lab for each in read(strip()).patches
    ]
    # 36 rows of unknown names lie as they were printed; 72 could be any order.
    assert read(unnamed).patches == read(strip()).patches
    assert "nor names that tell" in refusal(unnamed.replace("SETS 36", "SETS 72").replace(
        "END_DATA\n", "END_DATA\n", 1
    ).replace("BEGIN_DATA\n", "BEGIN_DATA\n" + "".join(
        f"B{n} 50 0 0\n" for n in range(36)
    )))  # fmt: skip


def test_turned_and_read_three_times_it_is_the_mean() -> None:
    """Three passes over the strip: each colour is read three times, paper and black six."""
    readings = read(strip(times=3))
    assert readings.times == 3
    assert {len(each.readings) for each in readings.patches} == {3, 6}
    assert "more than 50 readings" in refusal(strip(times=51))


def test_xyz_alone_is_taken_and_xyz_that_disagrees_is_not() -> None:
    """XYZ of D50 to 100 give Lab (ISO/CIE 11664-4); Y 18.4187 is L* 50 (handbook value)."""

    def row(n: int) -> str:
        rgb = " ".join(map(str, PATCHES[n].rgb))
        return f"{n} x {rgb} 17.7593 18.418652 15.1936"

    fields = "SAMPLE_ID SAMPLE_NAME RGB_R RGB_G RGB_B XYZ_X XYZ_Y XYZ_Z"
    assert read(strip(fields=fields, row=row)).patches[5].lab == (
        Decimal("50.00"), Decimal("0.00"), Decimal("0.00"),
    )  # fmt: skip
    both = f"{fields} LAB_L LAB_A LAB_B"
    assert read(strip(fields=both, row=lambda n: f"{row(n)} 50.2 0.1 -0.1"))
    said = refusal(strip(fields=both, row=lambda n: f"{row(n)} 52 0 0"))
    assert "its Lab and its XYZ are 2.0 apart" in said
    small = strip(fields=fields, row=lambda n: row(n).replace("17.", "0.").replace(
        "18.", "0.").replace("15.", "0."))  # fmt: skip
    assert "reach to 1 and not to 100" in refusal(small)


def test_the_condition_is_taken_from_the_file_or_asked() -> None:
    """M0 to M3 (ISO 13655); said by nobody it is asked, said twice it must agree."""
    bare = strip(head="")
    assert "does not say with which condition" in refusal(bare)
    assert read(bare, condition="M2").condition == "M2"
    named = strip(head='MEASUREMENT_SOURCE "MeasurementCondition=M0 Filter=No"\n')
    assert read(named).condition == "M0"
    assert "says that it was measured with M0, and you say M1" in refusal(named, condition="M1")
    assert "M0 and M1" in refusal(strip(head='FILTER "M0"\nINSTRUMENTATION "for M1"\n'))
    # M1X or SUM1 are no conditions.
    assert "does not say" in refusal(strip(head='INSTRUMENTATION "SUM1 M1X"\n'))
    assert "10° observer" in refusal(strip(head='FILTER "M1"\nOBSERVER "10 degree"\n'))
    assert "for the light D65" in refusal(strip(head='FILTER "M1"\nILLUMINANT "D65"\n'))
    assert read(strip(head='FILTER "M1"\nWEIGHTING_FUNCTION "ILLUMINANT, D50"\n'))


HOSTILE: list[tuple[str, str | bytes, str]] = [
    ("empty", b"", "no table"),
    ("a picture", b"\x89PNG\r\n\x1a\n\x00\x00", "zero bytes"),
    ("half of UTF-16", "CGATS".encode("utf-16")[:-1], "goes on as something else"),
    ("wrong number of sets", strip(sets=35), "NUMBER_OF_SETS 35, and 36 rows"),
    ("a value missing", strip().replace(" 96.00 ", " "), "values for 8 fields"),
    ("wrong number of fields", strip().replace("FIELDS 8", "FIELDS 9"), "8 fields are named"),
    ("cut off", strip(end=""), "has no end"),
    ("cut off in its names", "CGATS.17\nBEGIN_DATA_FORMAT\nLAB_L", "has no end"),
    ("data before names", "CGATS.17\nBEGIN_DATA\n1\nEND_DATA\n", "what its columns are"),
    ("a comma", strip().replace("96.00", "96,00"), "a comma where the form has a decimal point"),
    ("no number", strip().replace("96.00", "n/a"), "“n/a” in LAB_L is no number"),
    ("not finite", strip().replace("96.00", "NaN"), "is no number"),
    ("endless", strip().replace("96.00", "1e999999999"), "is no number"),
    ("other digits", strip().replace("96.00", "٩٦"), "is no number"),
    ("no colour", strip().replace("96.00", "960"), "is no colour"),
    ("a field twice", strip().replace("LAB_A", "LAB_L"), "is named twice"),
    ("no Lab", strip().replace("LAB_", "CMY_"), "no measured colours"),
    ("spectra alone", strip().replace("LAB_L LAB_A LAB_B", "NM380 NM390 NM400"), "spectra"),
    ("an open mark", strip().replace('"black"', '"black', 1), "does not close"),
    ("two tables of Lab", strip() * 2, "2 of its tables"),
    ("a count of words", strip().replace("SETS 36", "SETS many"), "is no count"),
    ("a count below nothing", strip().replace("SETS 36", "SETS -1"), "is no count"),
    ("counts that differ", strip().replace("SETS 36", "SETS 36\nNUMBER_OF_SETS 3"), "twice"),
    ("prose", "Dear lab,\nplease find attached", "no table"),
    ("an odd line", strip(head="@home 5\n"), "neither a keyword nor data"),
    ("many fields", "CGATS.17\nBEGIN_DATA_FORMAT\n" + "A B\n" * 300, "more than 500 fields"),
    ("many rows", "CGATS.17\nBEGIN_DATA_FORMAT\nA\nEND_DATA_FORMAT\nBEGIN_DATA\n" + "1\n" * 20_001,
     "more than 20,000 rows"),
    ("many words", "CGATS.17\n" + "".join(f"K{n} 1\n" for n in range(2_002)), "stand above"),
    ("many remarks", "CGATS.17\n" + "# x\n" * 2_002, "stand above"),
    ("a vast word", "CGATS.17\nORIGINATOR " + "x" * 3_000, "2,000 letters"),
    ("vast", b"#" * (LARGEST_FILE + 1), "8,388,608 at most"),
    ("a foreign chart", strip().replace(" 140 95 70 ", " 10 200 90 "), "no colour of our strip"),
    ("colours missing", strip().replace(" 140 95 70 ", " 0 0 0 "), "dark skin"),
    ("no rows", strip(row=lambda _: "", sets=0), "no rows"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "text", "words"), HOSTILE, ids=[each[0] for each in HOSTILE])
def test_what_is_not_right_is_said(name: str, text: str | bytes, words: str) -> None:
    """Each is refused in a sentence that says what is wrong, soon, and never with another error."""
    began = time.process_time()
    assert words in refusal(text)
    assert time.process_time() - began < 5


def test_one_hundred_megabytes_are_not_looked_at() -> None:
    """A file that is far too large is refused by its size, before a line is read."""
    data = bytes(100 << 20)
    began = time.process_time()
    assert "104,857,600 bytes" in refusal(data)
    assert time.process_time() - began < 0.5


def test_eight_megabytes_of_any_kind_end_soon() -> None:
    """The largest file that is read, in shapes made to be slow."""
    for piece in (b'"', b'""', b" ", b"'", b"1 ", b"#\n", b"\r", b"K 1\n", b"BEGIN_DATA_FORMAT\n"):
        data = (b"CGATS.17\n" + piece * (LARGEST_FILE // len(piece)))[:LARGEST_FILE]
        began = time.process_time()
        with pytest.raises(BadReadings):
            read_tables(data)
        assert time.process_time() - began < 3, piece


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=400))
def test_no_bytes_break_the_reader(data: bytes) -> None:
    """Whatever follows a head that is right, it is readings or a sentence."""
    for head in (b"", b"CGATS.17\nBEGIN_DATA_FORMAT\nLAB_L LAB_A LAB_B\nEND_DATA_FORMAT\n"):
        with contextlib.suppress(BadReadings):
            assert read_tables(head + data)


def test_seeded_mutants_are_readings_or_a_sentence() -> None:
    """A good strip with bytes changed, taken out and put in at places that a seed chooses."""
    seeded, whole = random.Random(7), strip().encode()
    taken = 0
    for _ in range(300):
        data = bytearray(whole)
        for _ in range(seeded.randint(1, 4)):
            at = seeded.randrange(len(data))
            how = seeded.randrange(3)
            if how == 0:
                data[at] = seeded.randrange(256)
            elif how == 1:
                del data[at : at + seeded.randint(1, 9)]
            else:
                data[at:at] = bytes(seeded.choices(b'0129.,-"# \n\tE', k=seeded.randint(1, 6)))
        try:
            readings = read(bytes(data))
        except BadReadings:
            continue
        else:
            taken += 1
            assert len(readings.patches) == 34
    assert taken > 20
