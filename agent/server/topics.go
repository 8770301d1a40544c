package server

import (
	"arcdrift/agent/auth"
	"arcdrift/agent/mqtt"
)

// topicAuthenticator authenticates the clients of the MQTT broker.
type topicAuthenticator struct{ *auth.Authenticator }

// Authenticate implements mqtt.Authenticator.
func (t topicAuthenticator) Authenticate(p mqtt.Peer) (auth.Principal, error) {
	principal, err := t.Authenticator.Authenticate(p.Address, p.User, string(p.Password))
	if err == nil {
		err = t.MayConnect(principal, p.ID)
	}
	return principal, err
}
