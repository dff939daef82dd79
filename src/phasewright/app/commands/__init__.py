"""The commands, each: words in, one job called, words out."""
