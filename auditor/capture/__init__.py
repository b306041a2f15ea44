"""Octets of a file to chunks of records: pcap, pcapng, compressed or not."""
