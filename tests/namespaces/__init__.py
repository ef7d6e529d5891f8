"""The whole job on real networks: namespaces, bridges, DHCP servers, brokers, kernels."""
