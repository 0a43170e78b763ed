# From a bare clone: python 3.11 or newer and make are all that is needed.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
BENCH ?= impulse
TIME ?= 60
WORKERS ?= 2

.PHONY: help setup demo test crash faults faults-endurance check format bench docs fuzz pictures clean

help:
	@echo "make setup   build $(VENV), in which 'benchward' is the command"
	@echo "make demo    one whole run with simulators on real sockets; BENCH=endurance: presses of a contact, a serial line"
	@echo "make test    the tests, in two processes; WORKERS=1 for one"
	@echo "make crash   every process killed at every kind of event, full disks, faulty instruments, endurance at full length: the complete set"
	@echo "make faults  the complete fault test of Tidewater; takes minutes"
	@echo "make faults-endurance  the same for both endurance scenarios"
	@echo "make check   format, lint, types, import contract"
	@echo "make format  rewrite the code in the house format"
	@echo "make bench   the speed table, each figure beside its baseline"
	@echo "make fuzz    rubbish, guided by coverage, into every reader; TIME=60 seconds for each"
	@echo "make docs    write the generated parts of the docs anew"
	@echo "make pictures  the console and one shot as SVG, from a rehearsal"

setup: $(VENV)/ready

$(VENV)/ready: pyproject.toml constraints.txt
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --constraint constraints.txt --editable '.[dev]'
	@touch $@

demo: setup
	$(BIN)/python -m tests.demo $(BENCH)

# Tests with real processes stay in one worker, first; of the others each file in one (tests/conftest.py).
test: setup
	$(BIN)/python -m pytest -q -n $(WORKERS) --dist loadgroup --no-loadscope-reorder

faults: setup
	$(BIN)/benchward fault-test sequences/library/tidewater/sequence.yaml

faults-endurance: setup
	$(BIN)/benchward fault-test sequences/library/weir_gate/sequence.yaml
	$(BIN)/benchward fault-test sequences/library/lantern_row/sequence.yaml

crash: setup
	BENCHWARD_FULL=1 $(BIN)/python -m pytest -q --timeout=1800 tests/crash tests/run/test_endurance.py tests/run/test_endurance_stops.py

check: setup
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports

format: setup
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

bench: setup
	$(BIN)/python -m tests.bench

docs: setup
	$(BIN)/python -m tests.docs_tools

fuzz: setup
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --constraint constraints.txt --editable '.[dev,fuzz]'
	$(BIN)/python -m tests.fuzz $(TIME)

pictures: setup
	$(BIN)/python -m tests.pictures

clean:
	rm -rf $(VENV) build *.egg-info .mypy_cache .ruff_cache .pytest_cache .hypothesis .fuzz
