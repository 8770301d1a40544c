package alerting

import (
	"encoding/json"
	"fmt"
	"sync"

	"arcdrift/agent/notify"
	"arcdrift/agent/store"
)

// outbox is the store's outbox in the form that the notifier takes.
type outbox struct {
	store Outbox

	mu sync.Mutex
	// late are the keys of delivered messages, by channel, that the store could not
	// remove: they must not be sent again.
	late map[string]string
}

func newOutbox(s Outbox) *outbox { return &outbox{store: s, late: map[string]string{}} }

func outboxItem(item notify.Item) (store.OutboxItem, error) {
	body, err := json.Marshal(&item)
	if err != nil {
		return store.OutboxItem{}, fmt.Errorf("a message has no JSON form: %w", err)
	}
	return store.OutboxItem{Queue: item.Channel, Key: item.Key, Body: body}, nil
}

// Oldest is the oldest message of a channel that is neither delivered nor given up.
func (o *outbox) Oldest(channel string) (notify.Item, bool, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if key, ok := o.late[channel]; ok {
		if err := o.store.Settle(key); err != nil {
			return notify.Item{}, false, err
		}
		delete(o.late, channel)
	}
	p, any, err := o.store.Oldest(channel)
	if err != nil || !any {
		return notify.Item{}, false, err
	}
	var item notify.Item
	if err := json.Unmarshal(p.Body, &item); err != nil {
		return notify.Item{}, false, fmt.Errorf("a message for %s cannot be read: %w", channel, err)
	}
	return item, true, nil
}

// Waiting counts the messages of a channel.
func (o *outbox) Waiting(channel string) (int, error) { return o.store.Waiting(channel) }

// Retry stores what an attempt has changed.
func (o *outbox) Retry(item notify.Item) error {
	p, err := outboxItem(item)
	if err != nil {
		return err
	}
	return o.store.Replace(p)
}

// Settle removes a message that was delivered or given up.
func (o *outbox) Settle(item notify.Item) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	err := o.store.Settle(item.Key)
	if err != nil {
		o.late[item.Channel] = item.Key
	}
	return err
}
