.DEFAULT_GOAL := help
help:
	@echo "targets: see below"
