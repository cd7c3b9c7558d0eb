"""Files of people: tables they wrote, folders they share, originals nobody may touch."""
