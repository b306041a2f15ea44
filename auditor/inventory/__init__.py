"""Messages and flows to facts about this network, and what the recording could and could not show."""
