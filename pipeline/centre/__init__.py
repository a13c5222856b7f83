"""The centre of a company: takes in what its sites publish, each package once and in order."""
