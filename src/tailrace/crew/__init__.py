"""Who carries out replications, and what is kept? This process, several, or a cluster; and a store."""
