"""An invented workshop to try the suite on: its golden references and its builds, good and faulty."""
