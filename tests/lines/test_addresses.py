"""Instrument URLs: what is understood, what is refused and how it is said."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.address import Address, AddressKind, parse
from logger.errors import AddressWrong

UNDERSTOOD = [
    ("serial:/dev/ttyUSB0", AddressKind.SERIAL, "/dev/ttyUSB0", {}),
    ("serial:COM5?baud=9600", AddressKind.SERIAL, "COM5", {"baud": "9600"}),
    (r"serial:\\.\COM12", AddressKind.SERIAL, r"\\.\COM12", {}),
    ("serial:///dev/pts/3", AddressKind.SERIAL, "/dev/pts/3", {}),
    ("serial:/dev/serial/by-id/usb-a%3Fb-port0", AddressKind.SERIAL, "/dev/serial/by-id/usb-a?b-port0", {}),
    ("SERIAL:/dev/ttyS0", AddressKind.SERIAL, "/dev/ttyS0", {}),
    ("tcp:127.0.0.1:4000", AddressKind.TCP, "127.0.0.1:4000", {}),
    ("tcp://studio-meter.local:4000", AddressKind.TCP, "studio-meter.local:4000", {}),
    ("tcp:[::1]:4000?rate=500&driver=other.one", AddressKind.TCP, "[::1]:4000", {"rate": "500", "driver": "other.one"}),
    ("ble:AA:BB:CC:DD:EE:FF", AddressKind.BLE, "AA:BB:CC:DD:EE:FF", {}),
    ("ble:Kiln%20meter", AddressKind.BLE, "Kiln meter", {}),
    (r"replay:C:\captures\kiln 1.jsonl?pace=1", AddressKind.REPLAY, r"C:\captures\kiln 1.jsonl", {"pace": "1"}),
    ("replay:C:/captures/a%25b.bin", AddressKind.REPLAY, "C:/captures/a%b.bin", {}),
    ("replay:100%.bin?pace=0.5", AddressKind.REPLAY, "100%.bin", {"pace": "0.5"}),
    ("keyed:", AddressKind.KEYED, "", {}),
    ("keyed:?serial=17&maker=Dial%20%26%20Co&cal=2027-03-14", AddressKind.KEYED, "", None),
    ("  tcp:a:1\n", AddressKind.TCP, "a:1", {}),
]

REFUSED = [
    ("", "no instrument URL"),
    ("/dev/ttyUSB0", "write serial:/dev/ttyUSB0"),
    ("COM5", "write serial:COM5"),
    ("usb:1", "write one like serial:"),
    (r"C:\captures\a.jsonl", "no instrument URL"),
    ("serial:", "names no port"),
    ("serial:?baud=9600", "names no port"),
    ("serial:/dev/ttyUSB0?baud=fast", "write a whole number from 50"),
    ("serial:/dev/ttyUSB0?baud=١٢٠٠", "write a whole number from 50"),
    ("serial:/dev/ttyUSB0?bauds=9600", "it has driver, rate, baud"),
    ("serial:/dev/ttyUSB0?baud=9600&baud=9600", "twice"),
    ("serial:/dev/tty\x1b[2J", "control characters"),
    ("serial:/dev/%00", "control characters"),
    ("serial:%FF", "no UTF-8"),
    ("tcp:4000", "no host and port"),
    ("tcp:localhost", "no host and port"),
    ("tcp::4000", "no host and port"),
    ("tcp:[]:4000", "no host and port"),
    ("tcp:::1:4000", "needs brackets"),
    ("tcp:host:0", "1 to 65535"),
    ("tcp:host:65536", "1 to 65535"),
    ("tcp:host:4,000", "1 to 65535"),
    ("tcp:host/x:40", "no name or address"),
    ("tcp:host:40?baud=9600", "no option"),
    ("tcp:host:40?rate=0", "from 1 to 500"),
    ("tcp:host:40?rate=501", "from 1 to 500"),
    ("tcp:host:40?rate=9.5", "from 1 to 500"),
    ("tcp:host:40?driver=", "the name of a driver"),
    ("tcp:host:40?driver=../x", "the name of a driver"),
    ("ble:", "names no meter"),
    ("replay:", "names no file"),
    ("replay:a?pace=-1", "a number from 0"),
    ("replay:a?pace=1e3", "a number from 0"),
    ("keyed:0417", "where nothing belongs"),
    ("keyed:?cal=soon", "a date such as"),
    ("keyed:?cal=20270314", "a date such as"),
    ("x" * 2000, "at most 1024 characters"),
]


@pytest.mark.parametrize(("url", "kind", "target", "options"), UNDERSTOOD)
def test_an_address_is_understood(url: str, kind: AddressKind, target: str, options: dict[str, str] | None) -> None:
    address = parse(url)
    assert (address.kind, address.target, address.url) == (kind, target, url.strip())
    if options is not None:
        assert dict(address.options) == options


@pytest.mark.parametrize(("url", "says"), REFUSED)
def test_a_wrong_address_is_refused_in_one_sentence(url: str, says: str) -> None:
    with pytest.raises(AddressWrong) as refused:
        parse(url)
    assert says in str(refused.value)
    assert "\n" not in str(refused.value)
    assert "\x1b" not in str(refused.value)
    assert refused.value.remedy
    assert refused.value.exit_code == 2


def test_what_is_not_said_has_its_default() -> None:
    address = parse("serial:/dev/ttyUSB0")
    assert (address.driver, address.rate, address.baud, address.pace) == ("meter-line", 10, 115_200, 0.0)


def test_options_are_read_as_what_they_are() -> None:
    assert parse("serial:COM5?baud=9600&rate=500&driver=x").baud == 9600
    assert parse("serial:COM5?baud=9600&rate=500&driver=x").rate == 500
    assert parse("replay:a.jsonl?pace=2.5").pace == 2.5
    keyed = parse("keyed:?serial=17&maker=Dial%20%26%20Co&model=D%2B1")
    assert dict(keyed.options) == {"serial": "17", "maker": "Dial & Co", "model": "D+1"}


@pytest.mark.parametrize(
    ("url", "host", "port"),
    [("tcp:127.0.0.1:4000", "127.0.0.1", 4000), ("tcp:[fe80::1%25eth0]:1", "fe80::1%eth0", 1), ("tcp:a-b:7", "a-b", 7)],
)
def test_host_and_port_come_apart(url: str, host: str, port: int) -> None:
    assert (parse(url).host, parse(url).port) == (host, port)


def test_an_address_is_a_value() -> None:
    assert parse("tcp:a:1") == parse("tcp:a:1")
    assert len({parse("tcp:a:1"), parse("tcp:a:1"), parse("tcp:a:2")}) == 2


@given(st.text(max_size=60))
def test_any_text_is_understood_or_refused(text: str) -> None:
    _understood_or_refused(text)


@given(st.sampled_from([f"{kind}:" for kind in AddressKind]), st.text("abc/\\:%?&=[]@. 0159éÅ\u202e\x00", max_size=30))
def test_any_text_after_a_kind_is_understood_or_refused(start: str, text: str) -> None:
    _understood_or_refused(start + text)


def _understood_or_refused(text: str) -> None:
    try:
        address = parse(text)
    except AddressWrong as wrong:
        assert not {unicodedata.category(character) for character in str(wrong)} & {"Cc", "Cf", "Cs"}
    else:
        assert isinstance(address, Address)
        assert 1 <= address.rate <= 500
        assert address.kind is not AddressKind.TCP or (address.host and 1 <= address.port <= 65535)
