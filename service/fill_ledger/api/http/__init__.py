"""HTTP itself: operations, strict decoding, problems, pages, conditional requests, rate limits. No trade here."""
