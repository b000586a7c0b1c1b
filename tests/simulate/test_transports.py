"""Every way to reach an instrument, opened by general-purpose client libraries."""

import struct

import pytest
import pyvisa
import serial
from simulate.lab import Line, now_s, scenario, serving

from benchlog.clock import HostClock, host_sleep
from benchlog.simulate import Via

ANSWERING = (Via.TCP, Via.SERIAL, Via.HISLIP, Via.VXI11)
TALKING = (Via.LINE, Via.LINE_TCP, Via.RFC2217)


@pytest.fixture(scope="module")
def running():
    with serving(scenario(*Via), HostClock()) as both:
        yield both


def address(running, via: Via) -> str:
    return running[1]["counter" if via is Via.TCP else f"counter@{via}"]


@pytest.fixture
def visa():
    """PyVISA with the pure-Python backend."""
    manager = pyvisa.ResourceManager("@py")
    opened = []

    def open_resource(where: str, timeout_ms: int = 3000):
        opened.append(
            manager.open_resource(
                where,
                read_termination="\n",
                write_termination="\n",
                timeout=timeout_ms,
            )
        )
        return opened[-1]

    yield open_resource
    for resource in opened:
        resource.close()


@pytest.mark.parametrize("via", ANSWERING)
def test_pyvisa_converses(running, visa, via):
    counter = visa(address(running, via))
    assert counter.query("*IDN?") == "SIMULATED,Bench Counter,SIM-0001,1.0"
    counter.write("*CLS;:CONF:FREQ;:SENS:FREQ:APER 0.01")
    readings = [float(counter.query("READ?")) for _ in range(5)]
    assert readings == pytest.approx([16e6 * (1 + 10e-6)] * 5, abs=10)
    assert counter.query("SYST:ERR?") == '0,"No error"'


@pytest.mark.parametrize("via", [Via.HISLIP, Via.VXI11])
def test_status_byte_and_device_clear(running, visa, via):
    counter = visa(address(running, via))
    counter.query("*CLS;*OPC?")
    counter.write("NONSENSE")
    counter.query("*OPC?")
    assert counter.read_stb() & 4  # error queue not empty
    counter.write("SENS:FREQ:APER 20;:READ?")
    begin = now_s()
    counter.clear()
    assert counter.query("*IDN?").startswith("SIMULATED,")
    assert now_s() - begin < 2  # not the 20 s of the gate
    counter.write("SENS:FREQ:APER 0.01;*CLS")  # carried out though we leave at once


@pytest.mark.parametrize("via", [Via.HISLIP, Via.VXI11])
def test_a_late_answer_is_never_taken_for_the_next(running, visa, via):
    bench, _ = running
    counter = visa(address(running, via))
    counter.query("*CLS;:FREQ:APER 0.01;*OPC?")
    counter.timeout = 200
    bench.command("counter late 0.5")
    with pytest.raises((pyvisa.errors.VisaIOError, TimeoutError)):
        counter.query("READ?")
    host_sleep(0.5)
    counter.timeout = 3000
    assert counter.query("*IDN?").startswith("SIMULATED,")


@pytest.mark.parametrize("via", [Via.HISLIP, Via.VXI11])
def test_half_an_answer_has_no_end(running, visa, via):
    bench, _ = running
    counter = visa(address(running, via))
    counter.query("*CLS;*OPC?")
    counter.timeout = 200
    bench.command("counter half")
    with pytest.raises((pyvisa.errors.VisaIOError, TimeoutError)):
        counter.query("READ?")


# IEEE 488.2, 6.3.2: a message while an answer waits is -410; 6.3.2.2: reading with
# nothing asked is -420.
def test_message_exchange_errors(running, visa):
    counter = visa(address(running, Via.VXI11))
    counter.query("*CLS;*OPC?")
    counter.write("*OPC?")
    counter.write("*IDN?")
    assert counter.read().startswith("SIMULATED,")
    assert counter.query("SYST:ERR?").startswith("-410,")
    counter.timeout = 200
    with pytest.raises(pyvisa.errors.VisaIOError):
        counter.read()
    counter.timeout = 3000
    assert counter.query("SYST:ERR?").startswith("-420,")


@pytest.mark.parametrize("via", TALKING)
def test_pyserial_hears_a_line_a_gate(running, via):
    port = serial.serial_for_url(address(running, via), timeout=3)
    try:
        port.readline()
        begin = now_s()
        lines = [port.readline() for _ in range(20)]
        took_s = now_s() - begin
    finally:
        port.close()
    assert all(line.endswith(b"\n") for line in lines)
    assert [float(line) for line in lines] == pytest.approx(
        [16e6 * 1.00001] * 20, abs=10
    )
    assert took_s >= 0.1


def test_a_serial_port_over_the_network_takes_settings(running):
    port = serial.serial_for_url(address(running, Via.RFC2217), 115_200, timeout=3)
    try:
        port.parity = serial.PARITY_EVEN
        assert port.cts
        assert abs(float(port.readline() and port.readline()) - 16e6) < 1000
        # private: the port that the fault is ordered at
        server = running[0]._servers["counter@rfc2217"]
        assert (server.serial.baudrate, server.serial.parity) == (115_200, "E")
    finally:
        port.close()


def test_a_terminal_stays_raw_for_the_next_who_opens_it(running):
    path = address(running, Via.LINE)
    for _ in range(2):
        with open(path, "rb", buffering=0) as port:
            seen = b""
            while seen.count(b"\n") < 3:
                seen += port.read(64)
            assert b"\r" not in seen


def test_nobody_listens_to_a_talker_and_it_goes_on():
    """What is not read is overrun; what is read then is new, and whole lines."""
    with serving(scenario(Via.LINE), HostClock(100.0)) as (bench, addresses):
        with open(addresses["counter"], "rb", buffering=0) as port:
            end = now_s() + 10
            while len(bench.served("counter")) < 1500 and now_s() < end:
                host_sleep(0.05)
            said = len(bench.served("counter"))
            seen = port.read(4096)
            while seen.count(b"\n") < 500:
                seen += port.read(4096)
        texts = [served.text for served in bench.served("counter")]
    lines = seen.decode().split("\n")[:-1]
    assert said * 9 > 8192  # far more than the kernel keeps
    assert all(abs(float(line) - 16e6) < 1000 for line in lines)
    assert len(lines) < len(texts)


HISLIP_NONSENSE = [
    b"GET / HTTP/1.1\r\n\r\n",
    struct.pack("!2sBBIQ", b"HS", 17, 0, 999, 0),  # a session nobody has
    struct.pack("!2sBBIQ", b"HS", 0, 0, 0x01000000, 1 << 40),  # no such long name
    struct.pack("!2sBBIQ", b"HS", 99, 0, 0, 0),
]
RPC_NONSENSE = [
    b"GET / HTTP/1.1\r\n\r\n",
    struct.pack("!I", 0x80000004) + b"\0\0\0\1",
    struct.pack("!7I", 0x80000018, 1, 0, 9, 0x0607AF, 1, 12),
    struct.pack("!11I", 0x80000028, 1, 0, 2, 0x0607AF, 1, 11, 0, 0, 0, 0xFFFFFFFF),
]


@pytest.mark.parametrize(
    ("via", "nonsense"),
    [(Via.HISLIP, n) for n in HISLIP_NONSENSE] + [(Via.VXI11, n) for n in RPC_NONSENSE],
)
def test_nonsense_ends_one_connection_and_nothing_else(running, visa, via, nonsense):
    line = Line(address(running, via))
    line.socket.sendall(nonsense)
    line.socket.settimeout(2)
    while line.socket.recv(4096):
        pass
    line.close()
    assert visa(address(running, via)).query("*OPC?") == "1"
