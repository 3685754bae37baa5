/**
 * Node ids as text. Namespace indexes are a server's own business and may differ after its restart, so a node is kept with its
 * namespace's URI: `nsu=<uri>;s=Line/7` (OPC 10000-6, 5.3.1.10, where % and ; of the URI are escaped). The base namespace has
 * none: `i=2255`.
 */
const FORM = /^(?:ns=(\d{1,5});|nsu=([^;]+);)?([isgb]=.+)$/s

/** `ns=3;i=7` of a server with these namespaces, as text that outlives the session. Null where the server has no such namespace. */
export function lasting(node: string, namespaces: readonly string[]): string | null {
  const parts = FORM.exec(node)
  const rest = parts?.[3]
  if (rest === undefined) return null
  if (parts?.[2] !== undefined) return node
  const index = Number(parts?.[1] ?? 0)
  if (index === 0) return rest
  const uri = namespaces[index]
  return uri === undefined ? null : `nsu=${uri.replaceAll('%', '%25').replaceAll(';', '%3B')};${rest}`
}

/** The node id for this session: `ns=<index>;…`. Null where the text is no node id or the server has no such namespace. */
export function present(text: string, namespaces: readonly string[]): string | null {
  const parts = FORM.exec(text)
  const rest = parts?.[3]
  if (rest === undefined) return null
  const uri = parts?.[2]
  if (uri === undefined) return parts?.[1] === undefined ? `ns=0;${rest}` : `ns=${parts[1]};${rest}`
  const index = namespaces.indexOf(uri.replaceAll('%3B', ';').replaceAll('%25', '%'))
  return index < 0 ? null : `ns=${index};${rest}`
}
