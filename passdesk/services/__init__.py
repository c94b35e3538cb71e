"""One module per job: a command in, one transaction, an outcome out."""
