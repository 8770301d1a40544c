package metrics

// The names of the metrics. Scripts, rules and dashboards rely on them: a test compares
// them with the names in the Grafana dashboards and Prometheus rules, in both directions.
const (
	MachineState       = "arcdrift_machine_state"
	MachineInfo        = "arcdrift_machine_info"
	RequiredPower      = "arcdrift_required_power_ratio"
	RequiredPowerSD    = "arcdrift_required_power_sd_ratio"
	RequiredPowerSlope = "arcdrift_required_power_slope_ratio_per_1000_arcs"
	PowerSetting       = "arcdrift_power_setting_ratio"
	PowerLimit         = "arcdrift_power_limit_ratio"
	Scatter            = "arcdrift_scatter_ratio"
	ElectrodeArcs      = "arcdrift_electrode_arcs"
	ArcsToFailure      = "arcdrift_electrode_arcs_to_failure"
	BeyondHorizon      = "arcdrift_electrode_beyond_horizon_ratio"
	Streak             = "arcdrift_failed_attempts_streak"
	CheckDue           = "arcdrift_check_due"
	LastRecord         = "arcdrift_last_record_timestamp_seconds"
	LastService        = "arcdrift_machine_last_service_timestamp_seconds"

	Machines       = "arcdrift_machines"
	MachinesListed = "arcdrift_machines_listed"
	SparesNeeded   = "arcdrift_spare_pairs_needed"
	SparesHeld     = "arcdrift_spare_pairs_held"
	DepotsShort    = "arcdrift_depots_short"
	DepotNeeded    = "arcdrift_depot_spare_pairs_needed"
	DepotHeld      = "arcdrift_depot_spare_pairs_held"

	LookBacksOpen  = "arcdrift_lookbacks_open"
	LookBackOldest = "arcdrift_lookback_oldest_timestamp_seconds"

	Ready          = "arcdrift_ready"
	LinkUp         = "arcdrift_link_up"
	ForwardWaiting = "arcdrift_forward_waiting_records"
	ForwardOldest  = "arcdrift_forward_oldest_waiting_seconds"
	ForwardRefused = "arcdrift_forward_refused_total"

	Records         = "arcdrift_records_total"
	AlertsFiring    = "arcdrift_alerts_firing"
	RuleSilenced    = "arcdrift_alert_rule_silenced"
	Waiting         = "arcdrift_notify_waiting"
	ChannelDead     = "arcdrift_notify_channel_dead"
	ShareProcesses  = "arcdrift_share_processes"
	ShareSlots      = "arcdrift_share_slots"
	ShareHeld       = "arcdrift_share_slots_held"
	ShareTaken      = "arcdrift_share_slots_taken_total"
	ShareLeads      = "arcdrift_share_leads"
	PoolConnections = "arcdrift_database_connections"
	PoolLimit       = "arcdrift_database_connections_limit"
	PoolWaits       = "arcdrift_database_waits_total"
	PoolWaited      = "arcdrift_database_waited_seconds_total"

	StoreBytes = "arcdrift_store_bytes"
	BuildInfo  = "arcdrift_build_info"
)
