"""Arrays in, arrays out: kernels and plain numpy; no files, no recipe, no logging, no units objects."""
