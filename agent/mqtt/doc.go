// Package mqtt is the agent's MQTT door, in two forms that share one desk: a
// [Client] that joins an outside broker and a [Broker] that is one itself.
//
// In:   arcdrift/v1/<machine>/{calibration,service,usage,splice,setup,correction}
// Ask:  arcdrift/v1/<machine>/site-check/ask, answered on …/site-check/answer
// Out:  arcdrift/v1/<machine>/{receipt,alert,state}, state retained
//
// The one rule to keep: a message is acknowledged when what it carries is
// durable and never before. Whatever cannot be kept is not acknowledged and the
// connection ends, for that is the only thing that makes an MQTT 3.1.1 sender
// or broker deliver again. What is refused is kept too, in the refused list,
// and is acknowledged, and so is what comes on a topic that nothing is taken on.
package mqtt
