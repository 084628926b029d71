# make demo    the whole chain on a simulated paddock; options in ARGS, as in  make demo ARGS="--minutes 20 --pace max"
# make test    every test, two files at a time; what failed beside others (time limits) must pass alone, or it failed
# make hunt    the property tests with examples drawn at random, again and again for MINUTES (10) or until one fails
# make check   style, types, walls between the parts
# make bench   measured figures: cost of a second, of a replay, of a page
# make look    pictures of all screens into look/
# make clean   remove what runs and tools left behind (not .venv: setup makes that anew when it must)
#
# The environment in .venv is made on the way, by .ci/setup; when it is current that takes a tenth of a second.

BIN = .venv/bin
.NOTPARALLEL:
.PHONY: help demo test hunt check bench look clean ready-demo ready-tests

help:
	@sed -n 's/^# make/make/p' Makefile

ready-demo:
	@sh .ci/setup demo

ready-tests:
	@sh .ci/setup tests

demo: ready-demo
	@$(BIN)/tailgrain demo $(ARGS)

test: ready-tests
	@$(BIN)/python -m pytest -q -n 2 --dist loadfile --durations=10 $(ARGS) || \
		{ test $$? -eq 1 && $(BIN)/python -m pytest -q --last-failed --last-failed-no-failures none $(ARGS); }

hunt: ready-tests
	@end=$$(($$(date +%s) + 60 * $${MINUTES:-10})); rounds=0; \
	while [ "$$(date +%s)" -lt "$$end" ]; do \
		TAILGRAIN_HUNT=1 $(BIN)/python -m pytest -q -n 2 -m hypothesis $(ARGS) || exit 1; \
		rounds=$$((rounds + 1)); \
	done; echo "$$rounds rounds, nothing found"

check: ready-tests
	@$(BIN)/ruff check .
	@$(BIN)/mypy
	@$(BIN)/lint-imports --no-logo
	@full=$$(find edge dashboard sim_feed -name __init__.py -size +0c); \
		test -z "$$full" || { echo "these stay empty: $$full" >&2; exit 1; }

bench: ready-tests
	@$(BIN)/python -m pytest -q -s -o python_files='bench_*.py' tests/bench $(ARGS)

look: ready-tests
	@$(BIN)/python -m tests.kits.look look

clean:
	rm -rf .demo look dist build *.egg-info .mypy_cache .pytest_cache .ruff_cache .import_linter_cache .hypothesis
	find . -name __pycache__ -not -path './.venv/*' -prune -exec rm -rf {} +
