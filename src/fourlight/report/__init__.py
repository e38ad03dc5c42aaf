"""The report: one self-contained page about a finished run; see `fourlight.report.page`."""
