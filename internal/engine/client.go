package engine

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"

	enumspb "go.temporal.io/api/enums/v1"
	namespacepb "go.temporal.io/api/namespace/v1"
	"go.temporal.io/api/operatorservice/v1"
	"go.temporal.io/api/serviceerror"
	taskqueuepb "go.temporal.io/api/taskqueue/v1"
	"go.temporal.io/api/workflowservice/v1"
	"go.temporal.io/sdk/client"
	"go.temporal.io/sdk/converter"
	"go.temporal.io/sdk/interceptor"
	"go.temporal.io/sdk/temporal"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/durationpb"
)

// DefaultIdentity is how clients and workers name themselves. Identities are
// kept in plain text in every history, so it is a fixed word and not, as the
// SDK would have it, a process, user and host name.
const DefaultIdentity = "candidacy"

// ClientOptions describe how to reach a Temporal server.
type ClientOptions struct {
	// HostPort is the address of the frontend.
	HostPort string
	// Namespace is DefaultNamespace when empty.
	Namespace string
	// Codec encrypts every payload. It is required.
	Codec converter.PayloadCodec
	// Identity is DefaultIdentity when empty. It must not name a person or a
	// host.
	Identity string
	// Logger receives what the SDK says at info and above. Nil discards it.
	Logger *slog.Logger
	// TLS is for a cluster; the embedded server is reached without.
	TLS *tls.Config
	// Interceptors are for tracing; workers take them over from the client.
	Interceptors []interceptor.ClientInterceptor
	// Metrics receives the SDK's metrics. Nil drops them.
	Metrics client.MetricsHandler
}

// Dial connects to a Temporal server with payloads and failures encrypted. It
// does not need the namespace to exist. Close the client when done.
func Dial(ctx context.Context, o ClientOptions) (client.Client, error) {
	if o.Codec == nil {
		return nil, errors.New("dialling temporal: a payload codec is required")
	}
	if o.HostPort == "" {
		return nil, errors.New("dialling temporal: no address given")
	}
	if o.Namespace == "" {
		o.Namespace = DefaultNamespace
	}
	if o.Identity == "" {
		o.Identity = DefaultIdentity
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	dc := newDataConverter(o.Codec)
	c, err := client.DialContext(ctx, client.Options{
		HostPort:      o.HostPort,
		Namespace:     o.Namespace,
		Identity:      o.Identity,
		Logger:        newSDKLogger(o.Logger),
		DataConverter: dc,
		// Without this the messages and stack traces of errors are plain text.
		FailureConverter: temporal.NewDefaultFailureConverter(temporal.DefaultFailureConverterOptions{
			DataConverter:          dc,
			EncodeCommonAttributes: true,
		}),
		Interceptors:   o.Interceptors,
		MetricsHandler: o.Metrics,
		ConnectionOptions: client.ConnectionOptions{
			TLS: o.TLS,
			// Payloads are encrypted: they don't get smaller, and the rest is small.
			GrpcCompression: &client.GrpcCompressionNone{},
			DialOptions:     []grpc.DialOption{grpc.WithChainUnaryInterceptor(hideHost)},
		},
		// Heartbeats would report the host's name and platform.
		WorkerHeartbeatInterval:      -1,
		DisableWorkerEnvironmentInfo: true,
	})
	if err != nil {
		return nil, fmt.Errorf("dialling temporal at %s: %w", o.HostPort, err)
	}
	return c, nil
}

// hideHost takes the host name out of sticky queue names. The SDK puts it before
// a random id, and the server writes the whole into each history.
func hideHost(ctx context.Context, method string, req, reply any, cc *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption) error {
	switch r := req.(type) {
	case *workflowservice.PollWorkflowTaskQueueRequest:
		r.TaskQueue = withoutHost(r.TaskQueue)
	case *workflowservice.RespondWorkflowTaskCompletedRequest:
		if r.StickyAttributes != nil {
			r.StickyAttributes.WorkerTaskQueue = withoutHost(r.StickyAttributes.WorkerTaskQueue)
		}
	case *workflowservice.ShutdownWorkerRequest:
		r.StickyTaskQueue = withoutHostName(r.StickyTaskQueue)
	}
	return invoke(ctx, method, req, reply, cc, opts...)
}

// withoutHost returns a copy, since the SDK may share the queue among requests.
func withoutHost(q *taskqueuepb.TaskQueue) *taskqueuepb.TaskQueue {
	if q.GetKind() != enumspb.TASK_QUEUE_KIND_STICKY {
		return q
	}
	return &taskqueuepb.TaskQueue{
		Name:       withoutHostName(q.GetName()),
		Kind:       q.GetKind(),
		NormalName: q.GetNormalName(),
	}
}

func withoutHostName(name string) string {
	i := strings.LastIndexByte(name, ':')
	if i < 0 {
		return name
	}
	return DefaultIdentity + name[i:]
}

// EnsureNamespace makes the namespace on an external cluster when it is missing.
// An existing one keeps its retention, which belongs to the cluster's operator.
// Search attributes serve operators only and may need rights we lack, so a
// failure to add them is logged and not returned.
func EnsureNamespace(ctx context.Context, c client.Client, namespace string, retention time.Duration, logger *slog.Logger) error {
	if logger == nil {
		logger = slog.New(slog.DiscardHandler)
	}
	_, err := c.WorkflowService().DescribeNamespace(ctx, &workflowservice.DescribeNamespaceRequest{Namespace: namespace})
	var missing *serviceerror.NamespaceNotFound
	if errors.As(err, &missing) {
		err = registerNamespace(ctx, c, namespace, retention)
	}
	if err != nil {
		return fmt.Errorf("ensuring namespace %s: %w", namespace, err)
	}
	if err := addSearchAttributesPatiently(ctx, c, namespace); err != nil {
		logger.Warn("search attributes not added", "namespace", namespace, "error", err)
	}
	return nil
}

func registerNamespace(ctx context.Context, c client.Client, namespace string, retention time.Duration) error {
	_, err := c.WorkflowService().RegisterNamespace(ctx, &workflowservice.RegisterNamespaceRequest{
		Namespace:                        namespace,
		WorkflowExecutionRetentionPeriod: durationpb.New(retention),
	})
	var exists *serviceerror.NamespaceAlreadyExists
	if errors.As(err, &exists) {
		return nil // another process was faster
	}
	return err
}

// reconcileNamespace brings the embedded server's namespace up to the options:
// creating it does nothing when it exists with other settings.
func reconcileNamespace(ctx context.Context, c client.Client, namespace string, retention time.Duration) error {
	got, err := c.WorkflowService().DescribeNamespace(ctx, &workflowservice.DescribeNamespaceRequest{Namespace: namespace})
	if err != nil {
		return fmt.Errorf("reading namespace %s: %w", namespace, err)
	}
	if got.GetConfig().GetWorkflowExecutionRetentionTtl().AsDuration() != retention {
		_, err := c.WorkflowService().UpdateNamespace(ctx, &workflowservice.UpdateNamespaceRequest{
			Namespace: namespace,
			Config:    &namespacepb.NamespaceConfig{WorkflowExecutionRetentionTtl: durationpb.New(retention)},
		})
		if err != nil {
			return fmt.Errorf("setting the retention of namespace %s: %w", namespace, err)
		}
	}
	return addSearchAttributes(ctx, c, namespace)
}

func addSearchAttributes(ctx context.Context, c client.Client, namespace string) error {
	have, err := c.OperatorService().ListSearchAttributes(ctx, &operatorservice.ListSearchAttributesRequest{Namespace: namespace})
	if err != nil {
		return fmt.Errorf("listing search attributes: %w", err)
	}
	missing := searchAttributes()
	for name := range have.GetCustomAttributes() {
		delete(missing, name)
	}
	if len(missing) == 0 {
		return nil
	}
	_, err = c.OperatorService().AddSearchAttributes(ctx, &operatorservice.AddSearchAttributesRequest{
		Namespace:        namespace,
		SearchAttributes: missing,
	})
	if err != nil {
		return fmt.Errorf("adding search attributes: %w", err)
	}
	return nil
}

// addSearchAttributesPatiently waits for a namespace that was just made: a
// cluster's hosts learn of it only when they next refresh their caches.
func addSearchAttributesPatiently(ctx context.Context, c client.Client, namespace string) error {
	waits := slices.Repeat([]time.Duration{time.Second}, 20)
	for _, wait := range waits {
		err := addSearchAttributes(ctx, c, namespace)
		var unknown *serviceerror.NamespaceNotFound
		if !errors.As(err, &unknown) {
			return err
		}
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			timer.Stop()
			return errors.Join(err, ctx.Err())
		case <-timer.C:
		}
	}
	return addSearchAttributes(ctx, c, namespace)
}
