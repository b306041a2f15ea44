"""Where and how to record in this home: from what is at hand to place, command and list of actions."""
