/** PI controller of a circuit. It asks for heat in kW; the circuit turns that into heater and valve and shows it as a regulation ratio. */
export interface Tuning {
  readonly gain_kW_K: number
  readonly integral_s: number
}
export interface ControllerState {
  integral_kW: number
}

/** Demand within [low, high] kW. At a limit the integral stands still unless the error leads back, else a long heating-up would overshoot. */
export function control(tuning: Tuning, state: ControllerState, error_K: number, low_kW: number, high_kW: number, dt_s: number): number {
  const proportional = tuning.gain_kW_K * error_K
  const asked = proportional + state.integral_kW
  const stuck = (asked >= high_kW && error_K > 0) || (asked <= low_kW && error_K < 0)
  if (!stuck) state.integral_kW += (proportional * dt_s) / tuning.integral_s
  state.integral_kW = Math.min(high_kW, Math.max(low_kW, state.integral_kW))
  return Math.min(high_kW, Math.max(low_kW, proportional + state.integral_kW))
}
