"""The bench page: a local web page over the same library calls as the command line.

``serve`` starts it; ``guard`` keeps others out; ``app`` has a function for each address; ``desk``
is what the program holds while pages come and go; ``feed`` is what a running take sends to them;
``show`` is what each page shows. The pages themselves are in ``templates`` and ``static``.
"""
