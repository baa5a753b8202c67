"""What the `pedal` command ends with."""

OK, FAILED, USAGE, PARTIAL = 0, 1, 2, 3
IN_WORDS = "Exit status: 0 done, 1 failed, 2 wrong usage, 3 done only in part."
