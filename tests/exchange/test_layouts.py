"""Every layout a bench produces: separators, decimal commas, units, time stamps."""

import math

import pytest

S = 1_000_000_000
NOON_NS = 1_795_608_000 * S  # 2026-11-25 12:00:00 UTC

LAYOUTS = {
    "csv": "time,freq\n0,16000001.5\n1,16000002.5\n2,16000003.5\n",
    "spaces": "0 16000001.5\n1   16000002.5\n2 16000003.5\n",
    "tabs": "# t\tf\n0\t16000001.5\n1\t16000002.5\n2\t16000003.5\n",
    "semicolons": "t;f\r\n0;16000001.5\r\n1;16000002.5\r\n2;16000003.5\r\n",
    "bars": "0|16000001.5\n1|16000002.5\n2|16000003.5",
    "decimal commas": "t;f\n0,0;16000001,5\n1,0;16000002,5\n2,0;16000003,5\n",
    "commas and spaces": "0,0 16000001,5\n1,0 16000002,5\n2,0 16000003,5\n",
    "comma then space": "0, 16000001.5\n1, 16000002.5\n2, 16000003.5\n",
    "groups": "t;f\n0;16'000'001.5\n1;16'000'002.5\n2;16'000'003.5\n",
    "point groups": "t;f\n0;16.000.001,5\n1;16.000.002,5\n2;16.000.003,5\n",
    "exponents": "0 1.60000015E+07\n1 1.60000025E+07\n2 1.60000035E+07\n",
    "megahertz": "time (s),freq (MHz)\n0,16.0000015\n1,16.0000025\n2,16.0000035\n",
    "units": "0;16.0000015 MHz\n1;16000.0025 kHz\n2;16000003.5Hz\n",
    "frequency first": "freq;time\n16000001.5;0\n16000002.5;1\n16000003.5;2\n",
    "quoted": '"time","freq"\n"0","16000001.5"\n"1","16000002.5"\n"2","16000003.5"\n',
    "index": "n,time,freq\n7,0,16000001.5\n8,1,16000002.5\n9,2,16000003.5\n",
    "milliseconds": "t_ms,f\n0,16000001.5\n1000,16000002.5\n2000,16000003.5\n",
    "comments": "% a\n\n# b\n0 16000001.5\n# c\n1 16000002.5\n\n2 16000003.5\n",
    "bom": "\ufefft;f\n0;16000001.5\n1;16000002.5\n2;16000003.5\n",
    "old line ends": "0 16000001.5\r1 16000002.5\r2 16000003.5\r",
}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_layouts(bring, layout):
    result, columns, _ = bring(LAYOUTS[layout])
    assert (result.readings, result.rejected) == (3, 0)
    assert columns.frequency_hz.tolist() == pytest.approx(
        [16000001.5, 16000002.5, 16000003.5], rel=1e-15
    )
    assert columns.mono_ns.tolist() == [0, S, 2 * S]
    assert columns.gate_s.tolist() == [1.0] * 3


def test_another_encoding(bring):
    result, columns, _ = bring(LAYOUTS["semicolons"].encode("utf-16"))
    assert (result.readings, result.rejected) == (3, 0)
    assert columns.frequency_hz[0] == 16000001.5


@pytest.mark.parametrize(
    ("text", "numbers"),
    [
        ("16000001,5\n16000002,5\n", [16000001.5, 16000002.5]),
        ("16,000,001\n16,000,002\n", [16000001.0, 16000002.0]),
        ("0,16000001\n1,16000002\n", [16000001.0, 16000002.0]),
        ("25.1,16000001\n25.1,16000002\n", [16000001.0, 16000002.0]),
    ],
)
def test_what_a_comma_is_follows_from_nominal(bring, text, numbers):
    _, columns, _ = bring(text)
    assert columns.frequency_hz.tolist() == numbers


STAMPS = {
    "iso": ["2026-11-25T12:00:00Z", "2026-11-25T12:00:00.5Z", "2026-11-25T12:00:01Z"],
    "zone": [
        "2026-11-25T14:00:00+02:00",
        "2026-11-25T14:00:00.5+0200",
        "2026-11-25T14:00:01+02",
    ],
    "slashes": ["2026/11/25 12:00:00", "2026/11/25 12:00:00.5", "2026/11/25 12:00:01"],
    "day first": [
        "25.11.2026 12:00:00",
        "25.11.2026 12:00:00,5",
        "25.11.2026 12:00:01",
    ],
    "unix s": ["1795608000", "1795608000.5", "1795608001"],
    "unix ms": ["1795608000000", "1795608000500", "1795608001000"],
    "unix ns": ["1795608000000000000", "1795608000500000000", "1795608001000000000"],
}


@pytest.mark.parametrize("kind", STAMPS)
def test_time_stamps(bring, kind):
    text = "".join(f"{stamp};16000001.5\n" for stamp in STAMPS[kind])
    _, columns, _ = bring(text)
    assert columns.utc_ns.tolist() == [NOON_NS, NOON_NS + S // 2, NOON_NS + S]
    assert columns.mono_ns.tolist() == [0, S // 2, S]
    assert columns.gate_s.tolist() == [0.5] * 3


def test_modified_julian_dates(bring):
    # MJD = JD - 2400000.5, so 1970-01-01 is MJD 40587: 61369.5 is 2026-11-25 12:00
    stamps = ["61369.50000000", "61369.50001157", "61369.50002315"]
    _, columns, _ = bring("".join(f"{one} 16000001.5\n" for one in stamps))
    assert columns.utc_ns[0] == NOON_NS
    assert columns.mono_ns.tolist() == pytest.approx([0, S, 2 * S], abs=0.001 * S)


def test_date_and_time_in_two_columns(bring):
    text = "".join(f"2026-11-25 12:00:0{i} {16e6 + i}\n" for i in range(3))
    result, columns, _ = bring(text)
    assert columns.utc_ns.tolist() == [NOON_NS + i * S for i in range(3)]
    assert any("taken as UTC" in note for note in result.notes)
    assert result.rejected == 0


def test_ambient_is_taken_where_the_head_names_it(bring):
    text = "t;f;Temp (C)\n0;16000001;24.5\n1;16000002;-\n2;16000003;25.5\n"
    _, columns, _ = bring(text)
    assert columns.ambient_c[[0, 2]].tolist() == [24.5, 25.5]
    assert math.isnan(columns.ambient_c[1])
    _, columns, _ = bring(text.replace("(C)", "(F)"))
    assert math.isnan(columns.ambient_c[0])
