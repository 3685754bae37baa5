import type * as Opcua from 'node-opcua'

/** node-opcua, once it has been loaded: at run time only the adapter imports it, when a site has such a source. */
export type Library = typeof Opcua
/** Puts a time limit on one service call. */
export type Await = <T>(call: Promise<T>) => Promise<T>
