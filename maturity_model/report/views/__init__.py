"""What each page shows: words and figures as frozen data, without HTML."""
