"""The served safety I/O, driven by Modbus clients that nobody here wrote: Debian's mbpoll and pymodbus.

Where `mbpoll` is not installed its tests are skipped by name; with BENCHWARD_FOREIGN_CLIENTS=required they fail.
"""

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from pymodbus.client import ModbusTcpClient

from tests.served import Served

pytestmark = [pytest.mark.foreign, pytest.mark.real]


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    plant = Served(tmp_path / "plant.sock")
    yield plant
    plant.end()


@pytest.fixture
def mbpoll() -> str:
    path = shutil.which("mbpoll")
    if path is None:
        missing = "the client `mbpoll` (Debian package mbpoll) is not installed"
        if os.environ.get("BENCHWARD_FOREIGN_CLIENTS") == "required":
            pytest.fail(missing)
        pytest.skip(missing)
    return path


@pytest.fixture
def client(served: Served) -> Iterator[ModbusTcpClient]:
    host, port = served.addresses["safety_io"]
    one = ModbusTcpClient(host, port=port, timeout=3, retries=0)
    assert one.connect()
    yield one
    one.close()


def poll(mbpoll: str, served: Served, *words: str) -> tuple[int, str, list[int]]:
    """One call of mbpoll, numbering from 0: its exit status, its text, the values it read."""
    host, port = served.addresses["safety_io"]
    end = words.index("--") if "--" in words else len(words)
    values = words[end + 1 :]
    command = [mbpoll, "-m", "tcp", "-p", str(port), "-a", "1", "-0", *words[:end], host, *values]
    done = subprocess.run(command, capture_output=True, text=True, timeout=20, check=False)
    return (
        done.returncode,
        done.stdout + done.stderr,
        [int(n) for n in re.findall(r"^\[\d+\]:\s+(-?\d+)", done.stdout, re.M)],
    )


def test_mbpoll_reads_inputs_and_registers(mbpoll: str, served: Served) -> None:
    assert poll(mbpoll, served, "-t", "1", "-r", "0", "-c", "10", "-1")[2] == [1] * 10
    served.set("door", "open")
    assert poll(mbpoll, served, "-t", "1", "-r", "0", "-c", "10", "-1")[2] == [0, 0] + [1] * 8
    assert poll(mbpoll, served, "-t", "3", "-r", "0", "-c", "4", "-1")[2] == [0, 0, 230, 450]


def test_mbpoll_writes_coils_and_the_watchdog(mbpoll: str, served: Served) -> None:
    assert poll(mbpoll, served, "-t", "0", "-r", "4", "--", "1")[0] == 0
    assert served.show()["lamp"] == "red"
    assert poll(mbpoll, served, "-t", "0", "-r", "4", "--", "0", "1", "1")[0] == 0
    assert served.show()["lamp"] == "green" and served.show()["horn"] is True
    assert poll(mbpoll, served, "-t", "4", "-r", "0", "--", "77")[0] == 0
    assert poll(mbpoll, served, "-t", "4", "-r", "0", "-c", "1", "-1")[2] == [77]


def test_mbpoll_is_told_of_an_address_that_is_not_there(mbpoll: str, served: Served) -> None:
    _, text, values = poll(mbpoll, served, "-t", "1", "-r", "8", "-c", "5", "-1")

    assert values == []
    assert "Illegal data address" in text


def test_pymodbus_reads_every_table(client: ModbusTcpClient, served: Served) -> None:
    assert client.read_discrete_inputs(0, count=10, device_id=1).bits[:10] == [True] * 10
    assert client.read_coils(0, count=7, device_id=1).bits[:7] == [False] * 7
    assert client.read_input_registers(0, count=4, device_id=1).registers == [0, 0, 230, 450]
    assert client.read_holding_registers(0, count=1, device_id=1).registers == [0]
    served.set("ambient.temperature", "25 degC")
    assert client.read_input_registers(2, count=1, device_id=1).registers == [250]


def test_pymodbus_writes_in_every_way(client: ModbusTcpClient) -> None:
    assert not client.write_coil(5, True, device_id=1).isError()
    assert not client.write_coils(4, [True, False, True], device_id=1).isError()
    assert client.read_coils(0, count=7, device_id=1).bits[:7] == [False] * 4 + [True, False, True]
    assert not client.write_register(0, 4711, device_id=1).isError()
    assert client.read_holding_registers(0, count=1, device_id=1).registers == [4711]
    assert not client.write_registers(0, [12], device_id=1).isError()
    assert client.read_holding_registers(0, count=1, device_id=1).registers == [12]


def test_pymodbus_gets_the_exceptions(client: ModbusTcpClient) -> None:
    assert client.read_coils(6, count=2, device_id=1).exception_code == 2
    assert client.write_register(1, 0, device_id=1).exception_code == 2
    assert client.read_coils(0, count=7, device_id=9).exception_code == 11
    assert client.read_exception_status(device_id=1).exception_code == 1
