// Package mqtt takes records from MQTT and answers there. It has two forms that share
// one [Handler]: a [Client] that joins an outside broker, and an embedded [Broker].
//
// In:   arcdrift/v1/<machine>/{calibration,service,usage,splice,setup,correction}
// Air:  arcdrift/v1/<machine>/air, a sensor's passing reading
// Ask:  arcdrift/v1/<machine>/site-check/ask, answered on …/site-check/answer
// Out:  arcdrift/v1/<machine>/{receipt,alert,state}, state retained
//
// The one rule to keep: a message is acknowledged when its record is durable, never
// before. If it cannot be stored, it is not acknowledged and the connection ends: only
// that makes an MQTT 3.1.1 sender or broker deliver it again. A refused message is
// stored in the refused list and acknowledged. So is a message on an unknown topic.
package mqtt
