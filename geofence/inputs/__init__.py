"""Files and jobs in, values out: each reader turns one kind of file into records, or refuses it with a remedy."""
