"""One module per stage; each takes one frozen type and returns the next."""
