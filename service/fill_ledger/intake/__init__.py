"""Everything that comes in: the recorder, batches from stations, inventory files, quarantine."""
