"""What everything stands on: errors, files, memory, workers, words for times and sizes."""
