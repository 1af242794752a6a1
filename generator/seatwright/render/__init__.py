"""From the plan to files: the tree in memory, and the way it is written.

How templates are found (:mod:`seatwright.render.engine`): a file below ``templates/`` whose name
ends in ``.in`` is rendered (delimiters ``[[ ]]``, ``[% %]``, ``[# #]``) and loses that suffix;
every other file is taken as it is.
"""
