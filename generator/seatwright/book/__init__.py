"""The book of a site: one HTML file that people read, print and try devices in.

The design, in the order of the way of the data:

* **In**: a :class:`~seatwright.book.content.Content`, which is the plan and what others found out
  about it: findings, which promises are broken, and a review where the book says what changed.
  Nothing here reads a site, asks git or the machine.  Without a plan (a site with errors, while
  somebody edits it) the book has its findings and nothing else.
* **What is said** is worked out first, as plain values: ``effects`` (what happens to what in which
  socket, decided by ``usb.filter`` on every kind of device that the rules can tell apart),
  ``sheets``, ``approval``, ``links``, ``changes``.  Rooms with the same answer are folded here, so
  a site of 500 rooms has as many policies to read as it has policies.
* **Pictures** are SVG from ``pictures`` with a layout of our own.  A graph library would have to
  be the same version with the same fonts everywhere to give the same bytes, and what is drawn here
  is trees, bars and arrows: a tree whose leaves are in port order needs no search for a layout.
  Every picture has a text alternative, and all that it says stands in words beside it.
* **Words**: a door sheet is in the site's language (``words``, one TOML file a language, filled in
  by name); the other pages are for the people who run the site and are in English.
* **The page**: templates in ``templates/book`` through the same engine as all else that is
  rendered, so nothing of a site gets in unquoted.  Door sheets, policies, promises, findings,
  changes and pictures are plain HTML and need no JavaScript.  What would be long (10,000 seats,
  every rule list) is embedded once as compact JSON, in which equal rules and equal lists
  are kept once, and shown a few rows at a time.
* **Closed**: a content security policy in the file names the one style sheet and the one script by
  their hashes and forbids everything else, so nothing that slips in from a site can run, and no
  request leaves the page.  (A served book may ask its own server whether it has changed.)
* **The decision** in the page (``templates/book/js/decide.js``) is a translation of ``usb.filter``;
  tests/book compares the two in a browser, as it does with the reading of ``lsusb -v``.
* **The look**: paper first.  Shapes and words carry every meaning, colour none; ink on white
  prints as it is, a dark screen gets the same in dark.

Same plan, same bytes: no time, no path, nothing of the machine goes in.
"""
