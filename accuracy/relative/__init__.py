"""The cloud against itself and against another run, where no checkpoint is needed."""
