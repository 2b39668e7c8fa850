"""A gate's references judged on the workers of a Dask cluster: the same verdicts, on many machines.

    packing         what a worker needs of a build and of a reference, as data that travels
    worker          judges one reference there, by the code that judges it here
    connecting      finds the scheduler, or says who is not one; with dispatching, all that knows the engine
    dispatching     sends references out, waits, collects

A task is a reference with all its cells, as under ``--jobs``: its golden is measured once and its deviation explained
once. What is judged comes back as the same files that items write here (``parts``), so one verdict is made in one way.

Dask runs what it is sent and believes whoever speaks to it: use it in a network you trust, or with its own TLS.
"""
