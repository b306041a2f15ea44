"""Where the lines of a watch may go beside standard output; all off unless configured."""
