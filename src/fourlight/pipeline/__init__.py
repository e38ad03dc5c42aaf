"""The order of the stages: streaming, cache, progress, cancel, resume."""
