"""Points and alignments for survey devices."""
