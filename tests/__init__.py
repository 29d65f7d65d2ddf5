"""Tests; as in a command, matrices have one thread, on whose number their last digits depend."""

from models.cores import without_idle_threads

without_idle_threads()
