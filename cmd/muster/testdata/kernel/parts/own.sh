# the tests as on a machine whose own kernel has CAN
mkdir tmp
export MUSTER_BENCH_BUILT=$here/bin MUSTER_TEST_ALL=1 TMPDIR=$PWD/tmp log=$PWD/own.log
cd "$PACKAGE" && "$TESTS" -test.v -test.run 'TestKernel/vcan/(ISO|candump_log|interface_down_and_up)' >"$log" 2>&1
echo $? >>"$log"
