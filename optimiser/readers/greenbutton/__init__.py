"""Green Button files (ESPI, the NAESB REQ.21 standard): energy of intervals in XML, register by register.

References
----------
.. [1] North American Energy Standards Board, "REQ.21 Energy Services Provider Interface", schema `espi.xsd`: the
   meaning of elements and the lists of codes (codes from memory, compared with published samples).
"""
