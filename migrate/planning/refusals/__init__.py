"""What is refused before anything is sent. One room for each subject; all are asked in one pass.

    secrets     a secret that is not to be had, or is none of IEEE Std 802.11
    words       what changes, and whether a family has words for it
    finding     a device that nobody could find again
    carrying    values and bundles that would not arrive as they are
    bench       what a trial on the bench has shown to go wrong
    rollback    no way back
    radio       a network that a radio cannot join; one name for both networks
    lookalikes  names of networks that a person cannot tell apart
    addresses   pools, fixed addresses, subnets
    brokers     how many a broker lets in, TLS, certificates (the reading of them: certificates)
    groups      a group word that is a device's own
    order       what feeds what

`case.py` says what they may look at, `every.py` asks all of them. A new refusal is a function in
its room, called by that room's `refusals`; a new room stands in the list of `every.py`.
"""
