package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/url"
	"reflect"
	"time"

	"github.com/spf13/cobra"

	"candidacy/fhir"
	"candidacy/internal/record"
	"candidacy/internal/smart"
	"candidacy/internal/subscription"
	"candidacy/internal/system"
)

// subscriptionsEvery is how often the store is asked for what has to be told; a
// client that subscribes wants to know soon.
const subscriptionsEvery = time.Second

// runSubscriptions tells clients of what they subscribed to until it is stopped.
func runSubscriptions(ctx context.Context, sys *system.System, hosts subscription.Hosts, log *slog.Logger) (stop func(), err error) {
	if !sys.Store.Shared() {
		// This process has the records to itself: what another was at, it left.
		if err := sys.Store.ReleaseSubscriptions(ctx); err != nil {
			return nil, err
		}
	}
	if err := rereadCriteria(ctx, sys.Store, log); err != nil {
		return nil, err
	}
	s := &subscription.Sender{
		Store: sys.Store, Client: subscription.NewClient(nil), Hosts: hosts, Policy: subscription.DefaultPolicy,
		Now: time.Now, Jitter: rand.Float64, Log: log,
		Granted: func(ctx context.Context, sub record.Subscription) (bool, error) {
			bearer, err := sys.Store.ActorBearer(ctx, sub.Client)
			if errors.Is(err, record.ErrNotFound) {
				return false, nil
			}
			return err == nil && fhir.MaySubscribe(smart.GrantOf(bearer), sub), err
		},
	}
	ctx, cancel := context.WithCancel(ctx)
	ticker := time.NewTicker(subscriptionsEvery)
	done := make(chan struct{})
	go func() {
		defer close(done)
		s.Run(ctx, ticker.C)
	}()
	return func() {
		cancel()
		<-done
		ticker.Stop()
	}, nil
}

// rereadCriteria brings stored criteria into the form that this release gives
// them. One that can't be read any more is turned off.
func rereadCriteria(ctx context.Context, store *record.Store, log *slog.Logger) error {
	list, err := store.Subscriptions(ctx, "")
	if err != nil {
		return err
	}
	for _, sub := range list {
		if !sub.Status.Live() {
			continue
		}
		query, failed := fhir.Criteria(sub)
		if failed == nil && reflect.DeepEqual(query, sub.Query) {
			continue
		}
		if _, err := store.ChangeSubscription(ctx, sub.ID, func(now *record.Subscription) error {
			if failed != nil {
				now.Status, now.Error = record.SubscriptionOff, subscription.NotGranted
				return nil
			}
			now.Query = query
			return nil
		}); err != nil {
			return err
		}
		if failed != nil {
			log.Error("a subscription was turned off: its criteria can't be read any more", "subscription", sub.ID)
		}
	}
	return nil
}

func subscriptionsCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "subscriptions", Short: "Clients that are told when something is published"}
	cmd.AddCommand(subscriptionsList(), subscriptionsEvents(), subscriptionsOff())
	return cmd
}

func subscriptionsList() *cobra.Command {
	var s site
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List subscriptions: id, client, status, criteria, host, failures in a row, last failure, last reached",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				list, err := store.Subscriptions(cmd.Context(), "")
				if err != nil {
					return err
				}
				for _, sub := range list {
					// The rest of an address may hold a secret.
					host := "-"
					if u, err := url.Parse(sub.Endpoint); err == nil {
						host = u.Host
					}
					fmt.Fprintf(cmd.OutOrStdout(), "%s\t%s\t%s\t%s\t%s\t%d\t%s\t%s\n", sub.ID, sub.Client, sub.Status, sub.Criteria, host,
						sub.Failures, orDash(sub.Error), moment(sub.ReachedAt))
				}
				return nil
			})
		},
	}
	bindStore(cmd, &s)
	return cmd
}

func subscriptionsEvents() *cobra.Command {
	var s site
	var id string
	var limit int
	cmd := &cobra.Command{
		Use:   "events",
		Short: "List what clients were told of, the newest first: created, subscription, resources, state, attempts, last failure, settled",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if limit < 1 {
				return errors.New("--limit: accepted: 1 or more")
			}
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				list, err := store.SubscriptionEvents(cmd.Context(), id, limit)
				if err != nil {
					return err
				}
				for _, e := range list {
					fmt.Fprintf(cmd.OutOrStdout(), "%s\t%s\t%d\t%s\t%d\t%s\t%s\n", moment(e.CreatedAt), e.Subscription, e.Resources, e.State,
						e.Attempts, orDash(e.Error), moment(e.SettledAt))
				}
				return nil
			})
		},
	}
	bindStore(cmd, &s)
	cmd.Flags().StringVar(&id, "subscription", "", "only of this subscription")
	cmd.Flags().IntVar(&limit, "limit", 100, "at most so many")
	return cmd
}

func subscriptionsOff() *cobra.Command {
	var s site
	cmd := &cobra.Command{
		Use:   "off ID",
		Short: "Turn a subscription off; its client may ask for it again while it has the scope",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return withStore(cmd.Context(), s, func(store *record.Store) error {
				sub, err := store.ChangeSubscription(cmd.Context(), args[0], func(now *record.Subscription) error {
					if !now.Status.Live() {
						return fmt.Errorf("ID: the subscription is %s already", now.Status)
					}
					now.Status, now.Error = record.SubscriptionOff, subscription.ByAdministrator
					return nil
				})
				if errors.Is(err, record.ErrNotFound) {
					return errors.New("ID: there is no such subscription; subscriptions list shows the ids")
				}
				if err != nil {
					return err
				}
				_, err = fmt.Fprintf(cmd.OutOrStdout(), "subscription %s is off\n", sub.ID)
				return err
			})
		},
	}
	bindStore(cmd, &s)
	return cmd
}

func orDash(text string) string {
	if text == "" {
		return "-"
	}
	return text
}

func moment(t time.Time) string {
	if t.IsZero() {
		return "-"
	}
	return t.Format(time.RFC3339)
}
