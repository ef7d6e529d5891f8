"""What people look at one level up: sites, then devices. All of it is made from a CampaignScene."""
