package server

import (
	"arcdrift/agent/auth"
	"arcdrift/agent/mqtt"
)

// topicGuard is the guard as the MQTT broker asks it.
type topicGuard struct{ *auth.Authenticator }

// Authenticate implements mqtt.Authenticator.
func (g topicGuard) Authenticate(p mqtt.Peer) (auth.Principal, error) {
	pass, err := g.Authenticator.Authenticate(p.Address, p.User, string(p.Password))
	if err == nil {
		err = g.MayConnect(pass, p.ID)
	}
	return pass, err
}
