"""The commands, one file each; thin: arguments in, calls, words out."""
