"""Files of people: tables they wrote, folders they share, files no command may replace."""
