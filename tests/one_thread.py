"""For pytest (`-p tests.one_thread`): matrices have one thread, as in a command; last digits depend on it."""

from models.cores import without_idle_threads

without_idle_threads()
