# Stages of a long run, each with its minutes beside its budget. To be sourced by bash.
#
#   stage NAME BUDGET COMMAND...   runs it and ends with its exit status; BUDGET in minutes, - for none.
#                                  A function runs without `set -e`: it has to return what fails.
#   stages_end MINUTES             the minutes of each stage; fails if they are more than that together
#
# A stage that takes longer than its budget is said, and no more than that: a shared machine has bad days.

_stages=()
_stages_s=0

_minutes() { # seconds: minutes with a decimal
    printf '%d.%d' $(($1 / 60)) $(($1 % 60 / 6))
}

stage() {
    local name=$1 budget=$2 began=$SECONDS code=0 took line
    shift 2
    "$@" || code=$?
    took=$((SECONDS - began))
    _stages_s=$((_stages_s + took))
    line=$(printf '%-16s %5s min' "$name" "$(_minutes $took)")
    [ "$budget" = - ] || line+=" of $budget"
    [ $code = 0 ] || line+=", failed ($code)"
    _stages+=("$line")
    if [ "$budget" != - ] && [ $took -gt $((budget * 60)) ]; then
        _stages+=("over budget: $name took $(_minutes $took) minutes, not $budget")
    fi
    return $code
}

stages_end() {
    [ ${#_stages[@]} = 0 ] || printf '%s\n' "${_stages[@]}"
    printf '%-16s %5s min of %s\n' together "$(_minutes $_stages_s)" "$1"
    if [ $_stages_s -gt $(($1 * 60)) ]; then
        echo "over budget: all of it took $(_minutes $_stages_s) minutes, not $1"
        return 1
    fi
}
