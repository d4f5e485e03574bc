"""What authorities say of certificates, verified: lists of revoked ones, and OCSP responses. Pure.

Whoever can answer an address can answer anything: nothing here is believed before its signature,
its scope and its dates are checked.
"""
