"""One process that draws: a run, names of sheets and a folder come in through a pipe, the files go out."""

import pickle
import sys

from promtrack.errors import InputError
from promtrack.show.figures import draw

if __name__ == "__main__":
    measured, names, folder = pickle.load(sys.stdin.buffer)
    try:
        pickle.dump(list(draw(measured, names, folder)), sys.stdout.buffer)
    except InputError as error:
        pickle.dump(error, sys.stdout.buffer)
