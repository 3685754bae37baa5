/** What can go wrong on the way to people. Each kind stands in docs/errors.md with its remedy. */
export type AlertFault =
  | { readonly kind: 'broker_unreachable'; readonly url: string; readonly why: string }
  | { readonly kind: 'broker_refused'; readonly url: string; readonly why: string }
  | { readonly kind: 'broker_lost'; readonly url: string; readonly why: string }
  | { readonly kind: 'broker_silent'; readonly url: string; readonly waited_ms: number }
  | { readonly kind: 'client_id_taken'; readonly url: string; readonly clientId: string }
  | { readonly kind: 'subscribe_refused'; readonly url: string; readonly topic: string; readonly why: string }
  | { readonly kind: 'retained_refused'; readonly url: string; readonly topic: string; readonly why: string }
  | { readonly kind: 'subscriber_slow'; readonly client: string; readonly waiting_bytes: number }
  | { readonly kind: 'publish_denied'; readonly client: string; readonly topic: string }

/** For the plant engineer: what, where, what goes on regardless, what to do. */
export function explainAlertFault(fault: AlertFault): string {
  switch (fault.kind) {
    case 'broker_unreachable':
      return `${fault.url}: no connection to the MQTT broker (${fault.why}). Alarms are journalled and wait in the outbox; the connection is tried again. Check address, port, network and certificate.`
    case 'broker_refused':
      return `${fault.url}: the MQTT broker refuses the connection (${fault.why}). Alarms wait in the outbox; it is tried again. Check user, password and rights at the broker.`
    case 'broker_lost':
      return `${fault.url}: connection to the MQTT broker lost (${fault.why}). Alarms wait in the outbox; it is connected anew. Check the broker and the network if it repeats.`
    case 'broker_silent':
      return `${fault.url}: the MQTT broker has not confirmed a message for ${fault.waited_ms} ms. The connection is dropped and made anew; nothing is lost, a message can come twice with the same id. Check load and network.`
    case 'client_id_taken':
      return `${fault.url}: the broker ends each connection of "${fault.clientId}" soon after letting it in, most often because another client uses the same id and both push each other out. Alarms come late. Give this site its own mqtt.client_id.`
    case 'subscribe_refused':
      return `${fault.url}: the MQTT broker refuses the subscription to ${fault.topic} (${fault.why}). Alarms go out; what this subscription is for does not work. Grant the right to read this topic.`
    case 'retained_refused':
      return `${fault.url}: the MQTT broker does not take the present state on ${fault.topic} (${fault.why}). Events go out; the retained list is not complete. Grant the right to publish there, retained messages included.`
    case 'subscriber_slow':
      return `embedded broker: "${fault.client}" does not fetch its messages (${fault.waiting_bytes} bytes wait) and was disconnected. The others go on. Check that client, or use a broker of your own.`
    case 'publish_denied':
      return `embedded broker: "${fault.client}" wanted to publish on ${fault.topic}, which only mouldtend may; it was disconnected. Use a broker of your own for other topics.`
  }
}
