# The same words as `python3 bootstrap.py WORD`, for those who type make. Arguments: make test ARGS="tests/domain -x"
PYTHON ?= python3
ARGS ?=
WORDS := run test check bench references calibration fuzz soak build lock clean

.PHONY: help $(WORDS)

help:  # what there is
	@$(PYTHON) bootstrap.py help

$(WORDS):
	@$(PYTHON) bootstrap.py $@ $(ARGS)
