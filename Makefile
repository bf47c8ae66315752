# What to do with this checkout. The first call of a target sets up what it needs, once.
#
# PYTHON=/path/to/python3 chooses the interpreter .venv is made with (3.11 or later).
# DEBIAN_MIRROR=URL is where small systems for tests come from, if not whence this machine's apt does.

PYTHON ?= python3
BIN := ./.venv/bin
CODE := config daemon voices tests
# A file's tests stay together, for what they share is made once.
BY_FILE := --dist loadfile --no-loadscope-reorder
SIDE_BY_SIDE := -n auto --maxprocesses 8 $(BY_FILE)
TWO_AT_A_TIME := -n auto --maxprocesses 2 $(BY_FILE)

.NOTPARALLEL:
.PHONY: help rehearse test quick check lint format types bench bench-late bench-arm bench-delay bench-disturb bench-overload soak fuzz fresh-test test-pythons deb stick package-test install-test card-test boot-test cards all-checks wheel pictures manuals clean

help:
	@echo "make rehearse  hear and see the whole path, without hardware: start here"
	@echo "make test      the tests"
	@echo "make quick     those that start no process and are not slow: under a minute"
	@echo "make check     ruff, mypy and the tests: what a change must pass"
	@echo "make bench     how much of each block's time the sound takes, on this machine"
	@echo "make fuzz      random bytes and messages, millions, through the instrument: ten minutes"
	@echo "make bench-late how punctual the player is, with loads beside it"
	@echo "make bench-arm  as root: instructions a block, and a minute played, on a virtual ARM board"
	@echo "make bench-delay as root: how constant the time from key to onset is, on a virtual board"
	@echo "make bench-disturb as root: the keeper's work beside a held chord, on a virtual board"
	@echo "make bench-overload as root: three times what fits, then less again, on a virtual board"
	@echo "make fresh-test as root: the first commands of the README on minimal systems; RELEASE, ARCH, WHO=root"
	@echo "make test-pythons the quick tests by Python 3.11, 3.12 and 3.13; TARGET=test for all of them"
	@echo "make deb       as root: dist/partiald_*.deb, built in clean chroots; RELEASE=trixie for one only"
	@echo "make stick     as root: FOLDER, from which it can be installed without a network; RELEASE, ARCH"
	@echo "make package-test as root: the package installed, used, removed, purged on a minimal system"
	@echo "make install-test as root: installed, upgraded, rolled back, taken off, without a network"
	@echo "make card-test as root: an image made into one that boots into the instrument; RELEASE, ARCH"
	@echo "make boot-test  as root: installed on a virtual board, booted, played, its plugs pulled"
	@echo "                ARCH=arm64, RELEASE=trixie, SCENES=upkeep (an upgrade from 0.2.0)"
	@echo "make cards      as root: mixers, sound cards and controllers that come and go, on a virtual board"
	@echo "make soak      a day of music in virtual time, ten minutes of it in real time, 1,000 replugs"
	@echo "make all-checks as root: every check there is, for hours; ONLY='fuzz soak' for some of them"
	@echo "make pictures  the pictures of the pages, drawn again into docs/"
	@echo "make manuals   manual pages, shell completion, schemas: build/manuals"
	@echo "make format    let ruff lay out the code"
	@echo "make wheel     dist/partiald-*.whl"
	@echo "make clean     away with everything these targets made, .venv too"

rehearse: .venv/play.stamp
	$(BIN)/partiald rehearse

# Those with processes two at a time: they play in real time, but wait for most of it.
test: .venv/develop.stamp
	@failed=0; \
	$(BIN)/pytest -q -m "not gig" $(SIDE_BY_SIDE) || failed=1; \
	$(BIN)/pytest -q -m gig $(TWO_AT_A_TIME) || failed=1; exit $$failed

quick: .venv/develop.stamp
	@$(BIN)/pytest -q -m "not gig and not slow" $(SIDE_BY_SIDE) >.venv/quick.log || { cat .venv/quick.log; exit 1; }
	@tail -n 1 .venv/quick.log

check: lint types test

lint: .venv/develop.stamp
	$(BIN)/ruff check $(CODE)
	$(BIN)/ruff format --check $(CODE)

format: .venv/develop.stamp
	$(BIN)/ruff format $(CODE)

types: .venv/develop.stamp
	$(BIN)/mypy

bench: .venv/bench.stamp
	@failed=0; for each in engine curve render start memory; do \
		PYTHONPATH=. $(BIN)/python tests/bench/$$each.py || failed=1; \
	done; exit $$failed

fuzz: .venv/develop.stamp
	PYTHONPATH=. $(BIN)/python tests/soak/fuzz_bytes.py
	PYTHONPATH=. $(BIN)/python tests/soak/fuzz_messages.py

bench-late: .venv/develop.stamp
	PYTHONPATH=. $(BIN)/python tests/bench/late.py
	PYTHONPATH=. $(BIN)/python tests/bench/delay.py

bench-arm: .venv/develop.stamp
	tests/boot/bench-arm

bench-delay: .venv/develop.stamp
	tests/boot/run amd64 delay 128
	tests/boot/run amd64 jack

bench-disturb: .venv/develop.stamp
	tests/boot/run amd64 disturb 128
	tests/boot/run amd64 disturb 64

bench-overload: .venv/develop.stamp
	tests/boot/run amd64 overload

fresh-test:
	tests/install/fresh $(RELEASE)

test-pythons:
	.ci/pythons $(or $(TARGET),quick)

deb:
	.ci/deb $(RELEASE)

stick: deb
	systemd/bundle --release $(or $(RELEASE),trixie) --arch $(or $(ARCH),arm64) "$(FOLDER)"

package-test: deb
	tests/install/package $(or $(RELEASE),trixie) $(ARCH)

install-test:
	tests/install/run $(or $(RELEASE),bookworm)

card-test: deb
	tests/install/card $(or $(RELEASE),trixie) $(ARCH)

boot-test: .venv/play.stamp
	tests/boot/boot-test $(or $(ARCH),amd64) $(or $(RELEASE),bookworm) $(SCENES)

cards: .venv/play.stamp
	tests/boot/cards $(or $(ARCH),amd64)

soak: .venv/develop.stamp
	PYTHONPATH=. $(BIN)/python tests/soak/music.py
	PYTHONPATH=. $(BIN)/python tests/soak/process.py
	PYTHONPATH=. $(BIN)/python tests/soak/replug.py

all-checks:
	python3 tests/all_checks.py .ci/checks all-checks $(ONLY)

# An old build/ would put deleted modules into the new wheel.
wheel: .venv/play.stamp
	@rm -rf build dist
	@$(BIN)/pip --quiet --disable-pip-version-check wheel --no-deps --wheel-dir dist .
	@rm -rf build
	@ls dist/*.whl

pictures: .venv/play.stamp
	$(BIN)/python .ci/pictures

# They bear the date of the version.
manuals: .venv/play.stamp
	@rm -rf build/manuals
	@$(BIN)/python -m daemon.manual.build build/manuals \
		"$$(date -u +%F -d "$$(sed -n 's/^ -- .*>  //p' debian/changelog | head -n 1)")"

clean:
	rm -rf .venv build dist rehearsal all-checks bench-cost.png *.egg-info .mypy_cache .pytest_cache .ruff_cache .hypothesis
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

.venv/%.stamp: pyproject.toml .ci/setup
	@PYTHON="$(PYTHON)" sh .ci/setup $*
