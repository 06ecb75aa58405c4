"""Is it right? The program against worlds where the truth is known, and against simpler judges."""
